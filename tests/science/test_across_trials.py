"""Pooling over trials: pinned results of metafor, a dense second way, invariances, and refusals.

fixtures/reference/across_trials.R made the pinned results with rma.mv of metafor 3.8-1 from
across_trials.csv (simulated; nested, crossed, without spread, and far apart).
"""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.stats import t as student_t

from registry.science.across_trials import TOO_DIFFERENT_FACTOR, pool_across_trials
from registry.science.crossed_reml import fit_crossed
from registry.science.types import ScienceError

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"
CASES = ("nested", "crossed", "no_trial", "far")


def rows(case):
    table = pd.read_csv(REFERENCE / "across_trials.csv")
    part = table[table["case"] == case]
    return part["effect"].to_numpy(), part["variance"].to_numpy(), part["trial"], part["site"]


def pooled(case):
    effect, variance, trial, site = rows(case)
    return pool_across_trials(effect, variance, list(trial), list(site), ["M"] * len(effect))


@pytest.mark.parametrize("case", CASES)
def test_trial_and_site_crossed_agree_with_metafor(case):
    theirs = pd.read_csv(REFERENCE / "across_trials_metafor.csv").set_index("case").loc[case]

    ours = pooled(case)

    # rma.mv stops where its optimiser finds the likelihood flat: seven digits of the mean.
    assert ours.mu == pytest.approx(theirs["mu"], rel=1e-7)
    assert ours.standard_error == pytest.approx(theirs["se"], rel=1e-6)
    assert ours.tau2_trial == pytest.approx(theirs["tau2_trial"], rel=1e-5)
    assert ours.tau2_site == pytest.approx(theirs["tau2_site"], rel=1e-5)


def test_the_reference_has_not_shrunk():
    table = pd.read_csv(REFERENCE / "across_trials.csv")

    assert list(table["case"].unique()) == list(CASES)
    assert len(table) == 24 + 42 + 25 + 16


@pytest.mark.parametrize("case", CASES)
def test_a_slow_second_way_finds_no_better_criterion(case):
    effect, variance, trial, site = rows(case)
    factors = [np.unique(names, return_inverse=True)[1] for names in (trial, site)]

    def criterion(log_tau2):
        v = np.diag(variance)
        for value, codes in zip(np.exp(log_tau2), factors, strict=True):
            z = np.eye(codes.max() + 1)[codes]
            v = v + value * z @ z.T
        inverse = np.linalg.inv(v)
        total = inverse.sum()
        left = effect - (inverse @ effect).sum() / total
        return 0.5 * (np.linalg.slogdet(v)[1] + math.log(total) + left @ inverse @ left)

    best = min(
        minimize(
            criterion, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}
        ).fun
        for start in ([-2.0, -2.0], [-5.0, -1.0], [-1.0, -5.0])
    )

    assert -fit_crossed(effect, variance, factors).criterion <= best + 1e-8


def test_adding_a_constant_moves_the_mean_by_it_and_nothing_else():
    effect, variance, trial, site = rows("crossed")
    names = ["M"] * len(effect)

    moved = pool_across_trials(effect + 1.5, variance, list(trial), list(site), names)
    before = pooled("crossed")

    assert moved.mu == pytest.approx(before.mu + 1.5, rel=1e-9)
    assert moved.tau2_trial == pytest.approx(before.tau2_trial, rel=1e-6)
    assert moved.q == pytest.approx(before.q, rel=1e-6)


def test_the_order_of_rows_means_nothing():
    effect, variance, trial, site = rows("crossed")
    order = np.random.default_rng(1).permutation(len(effect))

    shuffled = pool_across_trials(
        effect[order], variance[order], list(trial.iloc[order]), list(site.iloc[order]),
        ["M"] * len(effect),
    )  # fmt: skip

    assert shuffled.mu == pytest.approx(pooled("crossed").mu, rel=1e-9)
    assert [one.trial for one in shuffled.trials] == [one.trial for one in pooled("crossed").trials]


def test_the_interval_is_students_with_trials_less_one():
    found = pooled("nested")

    half = student_t.ppf(0.975, 5) * found.standard_error
    assert found.ci == pytest.approx((found.mu - half, found.mu + half))
    spread = math.sqrt(found.tau2_trial + found.tau2_site + found.standard_error**2)
    assert found.pi[1] == pytest.approx(found.mu + student_t.ppf(0.975, 4) * spread)


def test_trials_that_differ_by_more_than_chance_and_a_factor_of_two_are_not_to_be_pooled():
    far, near = pooled("far"), pooled("nested")

    assert far.typical_factor > TOO_DIFFERENT_FACTOR
    assert not far.advised
    assert far.warnings[0].code == "trials_differ_too_much"
    assert near.advised


def test_leaving_a_trial_out_is_pooling_the_others():
    effect, variance, trial, site = rows("nested")
    keep = (trial != "T2").to_numpy()

    others = pool_across_trials(
        effect[keep], variance[keep], list(trial[keep]), list(site[keep]), ["M"] * keep.sum()
    )

    left_out = next(one for one in pooled("nested").trials if one.trial == "T2")
    assert left_out.left_out_mu == pytest.approx(others.mu, rel=1e-9)
    assert left_out.left_out_standard_error == pytest.approx(others.standard_error, rel=1e-9)


def test_two_trials_are_shown_and_nothing_is_predicted():
    found = pool_across_trials(
        np.array([-4.0, -4.1, -3.8, -3.9]),
        np.full(4, 0.02),
        ["A", "A", "B", "B"],
        ["S1", "S2", "S3", "S4"],
        ["M"] * 4,
    )

    assert found.pi is None
    assert "two_trials" in {warning.code for warning in found.warnings}
    assert all(one.left_out_mu is None for one in found.trials)


def test_equal_trials_have_no_spread_and_it_is_said():
    effect = np.array([-4.0, -3.6, -4.0, -3.6, -4.0, -3.6])
    found = pool_across_trials(
        effect, np.full(6, 0.01), list("AABBCC"), [f"S{n}" for n in range(6)], ["M"] * 6
    )

    assert found.tau2_trial == 0.0
    assert found.mu == pytest.approx(-3.8)
    assert "no_spread_between_trials" in {warning.code for warning in found.warnings}


def test_a_family_of_materials_has_a_spread_of_its_own():
    rng = np.random.default_rng(8)
    materials = np.repeat(["M1", "M2", "M3", "M4"], 9)
    level = dict(zip(["M1", "M2", "M3", "M4"], [-5.0, -4.4, -3.8, -3.2], strict=True))
    trial = np.tile(np.repeat(["A", "B", "C"], 3), 4)
    site = np.tile([f"S{n}" for n in range(9)], 4)
    effect = np.array([level[name] for name in materials]) + rng.normal(0, 0.1, 36)

    found = pool_across_trials(effect, np.full(36, 0.01), list(trial), list(site), list(materials))

    assert found.tau2_material == pytest.approx(np.var([-5.0, -4.4, -3.8, -3.2], ddof=1), rel=0.3)
    assert found.mu == pytest.approx(-4.1, abs=0.1)


@pytest.mark.parametrize(
    ("effect", "variance", "trials"),
    [
        ([-4.0, -4.1], [0.1, 0.1], ["A", "A"]),
        ([-4.0, math.nan], [0.1, 0.1], ["A", "B"]),
        ([-4.0, -4.1], [0.1, 0.0], ["A", "B"]),
    ],
)
def test_what_cannot_be_pooled_is_refused(effect, variance, trials):
    with pytest.raises(ScienceError):
        pool_across_trials(np.array(effect), np.array(variance), trials, ["S1", "S2"], ["M", "M"])
