"""Meta-regression: metafor's results on public and simulated rows, a dense second way, refusals.

fixtures/reference/meta_regression.R made the pinned results with rma.mv of metafor 3.8-1: the
vaccine trials of Colditz et al. (1994) on latitude and year, the schools of Konstantopoulos (2011)
on year, and simulated rows of the kinds that are served (heat, filler, thickness, coating).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

from registry.science.meta_regression import MetaRegression, NotAnswered, meta_regression
from registry.science.types import ScienceError

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"
ROWS = pd.read_csv(REFERENCE / "meta_regression.csv")
METAFOR = pd.read_csv(REFERENCE / "meta_regression_metafor.csv").set_index("case")
CASES = tuple(METAFOR.index)
RANDOM = ("site", "material", "row")


def codes_of(names):
    return np.unique(np.asarray(names), return_inverse=True)[1]


def rows_of(case):
    part = ROWS[ROWS["case"] == case]
    x = part[["x1", "x2"]].dropna(axis=1).to_numpy()
    factors = {name: codes_of(part[name]) for name in RANDOM}
    return part["effect"].to_numpy(), part["variance"].to_numpy(), x, factors


def fitted(case):
    y, v, x, factors = rows_of(case)
    return meta_regression(y, v, x, factors, df=METAFOR.loc[case, "residual_df"])


@pytest.mark.parametrize("case", CASES)
def test_moderators_agree_with_metafor(case):
    theirs = METAFOR.loc[case]

    ours = fitted(case)

    m = len(ours.beta) - 1
    # rma.mv stops where its optimiser finds the likelihood flat, about 1e-7 of a coefficient.
    assert ours.beta == pytest.approx(theirs[["b0", "b1", "b2"]][: m + 1], rel=1e-6)
    assert ours.standard_error == pytest.approx(theirs[["se0", "se1", "se2"]][: m + 1], rel=1e-6)
    assert ours.f == pytest.approx(theirs["f"], rel=1e-5)
    assert ours.f_p == pytest.approx(theirs["p"], rel=1e-5)
    assert (ours.f_df, ours.qe_df) == (theirs["f_df"], theirs["residual_df"])


@pytest.mark.parametrize("case", CASES)
def test_heterogeneity_agrees_with_metafor(case):
    theirs = METAFOR.loc[case]

    ours = fitted(case)

    # Our criterion is exact; theirs stops near a zero variance at 1e-9.
    tau2 = theirs[["tau2_1", "tau2_2", "tau2_3"]].dropna().to_numpy(float)
    assert list(ours.tau2.values()) == pytest.approx(tau2, rel=2e-5, abs=1e-8)
    assert ours.tau2_without == pytest.approx(theirs["without"], rel=2e-5)
    assert ours.qe == pytest.approx(theirs["qe"], rel=1e-9)
    assert ours.qe_p == pytest.approx(theirs["qe_p"], rel=1e-7)


def test_the_vaccine_trials_on_latitude_give_the_published_share():
    ours = fitted("bcg_latitude")

    # Fitted in Viechtbauer (2010), J. Stat. Softw. 36(3); R² as rma of metafor prints it.
    assert ours.r2_pct == pytest.approx(75.63, abs=0.005)


def test_the_reference_has_not_shrunk():
    assert len(CASES) == 8
    assert len(ROWS) == 207


@pytest.mark.parametrize("case", CASES)
def test_a_dense_second_way_finds_no_better_criterion(case):
    y, v, x, factors = rows_of(case)
    design = np.hstack([np.ones((len(y), 1)), x])
    ours = fitted(case)
    blocks = [np.equal.outer(codes, codes).astype(float) for codes in factors.values()]
    blocks = [block for block, name in zip(blocks, RANDOM, strict=True) if name in ours.tau2]

    def criterion(tau2):
        inverse = np.linalg.inv(np.diag(v) + np.tensordot(tau2, blocks, axes=1))
        information = design.T @ inverse @ design
        left = y - design @ np.linalg.solve(information, design.T @ inverse @ y)
        determinants = np.linalg.slogdet(information)[1] - np.linalg.slogdet(inverse)[1]
        return 0.5 * (determinants + left @ inverse @ left)

    here = criterion(np.array(list(ours.tau2.values())))
    starts = [np.exp(np.full(len(blocks), start)) for start in (-5.0, -3.0, -1.0)]
    best = min(
        minimize(lambda log: criterion(np.exp(log)), np.log(start), method="Nelder-Mead").fun
        for start in starts
    )

    assert here <= best + 1e-8


def test_order_units_and_shift_change_nothing_else():
    y, v, x, factors = rows_of("filler")
    order = np.random.default_rng(3).permutation(len(y))
    ours = fitted("filler")

    other = meta_regression(
        y[order] + 2.0,
        v[order],
        x[order] / 100.0,
        {name: codes[order] for name, codes in factors.items()},
        df=ours.df,
    )

    assert other.beta[1] == pytest.approx(100.0 * ours.beta[1], rel=1e-7)
    assert other.beta[0] == pytest.approx(ours.beta[0] + 2.0, rel=1e-7)
    assert other.f == pytest.approx(ours.f, rel=1e-6)
    assert other.r2_pct == pytest.approx(ours.r2_pct, rel=1e-6)


def test_a_factor_that_repeats_another_is_left_out():
    y, v, x, factors = rows_of("filler")

    twice = meta_regression(y, v, x, {**factors, "again": factors["row"]}, df=30)

    assert isinstance(twice, MetaRegression)
    assert list(twice.tau2) == list(RANDOM)


def test_a_factor_that_the_moderators_explain_whole_is_left_out():
    y, v, x, factors = rows_of("coated")

    fit = meta_regression(y, v, x, {**factors, "material": codes_of(x[:, 0])}, df=5)

    assert isinstance(fit, MetaRegression)
    assert list(fit.tau2) == ["site", "row"]


def test_a_moderator_that_never_varies_is_refused_by_name():
    y, v, _, factors = rows_of("filler")

    found = meta_regression(y, v, np.full(len(y), 30.0), factors, df=5)

    assert isinstance(found, NotAnswered)
    assert found.code == "moderator_constant"


def test_moderators_that_move_together_are_refused_by_name():
    y, v, x, factors = rows_of("filler")

    found = meta_regression(y, v, np.hstack([x, 20.0 * x + 600.0]), factors, df=5)

    assert isinstance(found, NotAnswered)
    assert found.code == "aliased"


def test_three_rows_are_too_few():
    found = meta_regression(
        np.array([1.0, 2.0, 3.0]), np.ones(3), np.array([0.0, 1.0, 2.0]), {}, df=1
    )

    assert isinstance(found, NotAnswered)
    assert found.code == "too_few_rows"


def test_no_spread_without_the_moderator_leaves_r2_unsaid():
    rng = np.random.default_rng(5)
    x = np.repeat([0.0, 10.0, 20.0, 30.0], 4)
    y = -3.0 + rng.normal(0, 1e-3, 16)

    fit = meta_regression(y, np.full(16, 0.2), x, {"row": np.arange(16)}, df=2)

    assert isinstance(fit, MetaRegression)
    assert fit.r2_pct is None
    assert fit.tau2 == {"row": 0.0}


def test_rows_that_are_not_finite_are_an_error():
    with pytest.raises(ScienceError):
        meta_regression(np.array([1.0, np.nan]), np.ones(2), np.ones(2), {}, df=1)
