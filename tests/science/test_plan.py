"""Planning by formula against the fitted model, simulation, and hand-worked cases."""

from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import t as t_distribution
from statsmodels.stats.power import TTestPower

from registry.science.mixed.fixed_day import fit_fixed_day
from registry.science.plan import (
    Components,
    Costs,
    DecayTruth,
    Plan,
    expect_days_to_90,
    expect_difference,
    expect_mean,
    pile_log_rate_variance,
    power_of_difference,
)
from registry.science.plan_search import Limits, cheapest_plan
from registry.science.types import ScienceError

COMPONENTS = Components(site=36.0, site_material=16.0, pile=16.0, pile_material=9.0, residual=25.0)


def test_standard_errors_by_hand():
    plan = Plan(sites=4, piles=2, materials=3, bags=5)

    mean = expect_mean(COMPONENTS, plan)
    difference = expect_difference(COMPONENTS, plan)

    # (36 + 16)/4 + (16 + 9)/8 + 25/40 = 16.75;  2 (16/4 + 9/8 + 25/40) = 11.5
    assert mean.standard_error == pytest.approx(np.sqrt(16.75))
    assert mean.df == 3
    assert difference.standard_error == pytest.approx(np.sqrt(11.5))
    assert difference.df == 6


def test_the_formula_is_what_a_balanced_fit_reports():
    rng = np.random.default_rng(5)
    shape = (6, 3, 4, 3)
    s, p, m, _ = (g.ravel() for g in np.meshgrid(*(np.arange(k) for k in shape), indexing="ij"))
    y = 10 * m + rng.normal(0, 6, 6)[s] + rng.normal(0, 4, (6, 4))[s, m]
    y += rng.normal(0, 4, (6, 3))[s, p] + rng.normal(0, 3, (6, 3, 4))[s, p, m]
    y += rng.normal(0, 5, len(s))

    result = fit_fixed_day(s, p, m, y)

    part = result.fit.components
    found = Components(
        part["site"],
        part["site × material"],
        part["pile"],
        part["pile × material"],
        result.fit.sigma2,
    )
    plan = Plan(6, 3, 4, 3)
    assert result.fit.at_boundary == ()
    expected = expect_mean(found, plan).standard_error
    assert result.fit.standard_error == pytest.approx(np.full(4, expected), rel=1e-6)
    expected = expect_difference(found, plan)
    assert result.pairs.standard_error == pytest.approx(
        np.full(6, expected.standard_error), rel=1e-6
    )
    assert result.pairs.df == pytest.approx(np.full(6, expected.df), rel=1e-4)


def test_variance_of_a_mean_as_a_textbook_has_it():
    # Berthouex & Brown 2002, Statistics for Environmental Engineers, 2nd ed., ch. 25, p. 231:
    # variances 16 between and 1.3 within; 8 specimens measured twice give a variance of 2.08
    # (SD 1.44) and cost 8 · $20 + 16 · $20 = $480.
    parts = Components(16.0, 0.0, 0.0, 0.0, 1.3)
    plan = Plan(sites=8, piles=1, materials=1, bags=2)

    assert expect_mean(parts, plan).standard_error ** 2 == pytest.approx(2.08, abs=0.005)
    assert expect_mean(parts, plan).standard_error == pytest.approx(1.44, abs=0.005)
    assert Costs(site=20, pile=0, bag=20).of(plan) == 480


@pytest.mark.parametrize(
    ("plan", "residual", "difference", "level", "power"),
    [
        # power.t.test(n = 20, delta = 1, sd = 1, strict = TRUE): 38 degrees of freedom.
        (Plan(20, 1, 3, 1), 1.0, 1.0, 0.95, 0.868953027724586),
        # power.t.test(n = 6, delta = 1.2, sd = 1, type = "paired", strict = TRUE)
        (Plan(6, 1, 2, 1), 0.5, 1.2, 0.95, 0.655043302701256),
        # power.t.test(n = 10, delta = 0.9, sd = 1, sig.level = 0.01, type = "one.sample", …)
        (Plan(10, 1, 2, 1), 0.5, 0.9, 0.99, 0.404158023428262),
    ],
)
def test_power_is_that_of_r(plan, residual, difference, level, power):
    # R 4, function power.t.test of its package stats.
    parts = Components(7.0, 0.0, 7.0, 0.0, residual)

    found = power_of_difference(parts, plan, difference, level=level)

    assert found == pytest.approx(power, rel=1e-9)


@given(st.integers(2, 40), st.floats(0.01, 30), st.floats(0.05, 3), st.integers(1, 12))
@settings(max_examples=60, deadline=None)
def test_power_of_two_materials_is_that_of_a_paired_t_test(sites, variance, effect, comparisons):
    # statsmodels.stats.power.TTestPower; each site is one pair. Beyond six standard errors its far
    # tail may be nan.
    assume(effect * np.sqrt(sites) < 6)
    parts = Components(3.0, variance, 3.0, 0.0, 0.0)
    difference = effect * np.sqrt(2 * variance)

    found = power_of_difference(
        parts, Plan(sites, 2, 2, 3), difference, level=0.9, comparisons=comparisons
    )

    expected = TTestPower().power(effect, sites, 0.1 / comparisons, alternative="two-sided")
    assert found == pytest.approx(expected, abs=1e-8)


def test_expected_width_and_power_are_those_of_fitted_trials():
    # 300 trials of 6 sites × 2 piles × 3 materials × 3 bags, each fitted by REML with
    # Kenward–Roger degrees of freedom. Three Monte-Carlo standard errors are allowed, and for the
    # width 2 % more: near the boundary REML is no longer the analysis of variance of the formula.
    rng = np.random.default_rng(20)
    shape, true = (6, 2, 3, 3), 9.0
    parts = Components(site=40.0, site_material=12.0, pile=30.0, pile_material=8.0, residual=20.0)
    plan = Plan(6, 2, 3, 3)
    s, p, m, _ = (g.ravel() for g in np.meshgrid(*(np.arange(k) for k in shape), indexing="ij"))
    widths, shown = [], []
    for _ in range(300):
        y = true * (m == 1) + rng.normal(0, np.sqrt(40), 6)[s]
        y += rng.normal(0, np.sqrt(12), (6, 3))[s, m] + rng.normal(0, np.sqrt(30), (6, 2))[s, p]
        y += rng.normal(0, np.sqrt(8), (6, 2, 3))[s, p, m] + rng.normal(0, np.sqrt(20), len(s))
        pairs = fit_fixed_day(s, p, m, y).pairs
        t = np.abs(pairs.estimate[0] / pairs.standard_error[0])
        half = t_distribution.isf(0.025, pairs.df[0])
        widths.append(half * pairs.standard_error[0])
        shown.append(t > half)

    expected = expect_difference(parts, plan).half_width
    power = power_of_difference(parts, plan, true)

    error = np.std(widths, ddof=1) / np.sqrt(300)
    assert abs(np.mean(widths) - expected) < 3 * error + 0.02 * expected
    assert abs(np.mean(shown) - power) < 3 * np.sqrt(power * (1 - power) / 300)


@pytest.fixture(scope="module")
def simulated():
    """Site differences of two materials in 40,000 balanced trials, true difference 8."""
    rng = np.random.default_rng(9)
    plan = Plan(sites=5, piles=2, materials=2, bags=3)
    site_variance = 2 * (16.0 + 9.0 / 2 + 25.0 / 6)
    return plan, 8 + rng.normal(0, np.sqrt(site_variance), (40_000, plan.sites))


def test_power_is_the_share_of_simulated_trials_that_show_the_difference(simulated):
    plan, differences = simulated
    t = differences.mean(axis=1) / (differences.std(axis=1, ddof=1) / np.sqrt(plan.sites))
    share = (np.abs(t) > t_distribution.isf(0.025, plan.sites - 1)).mean()

    power = power_of_difference(COMPONENTS, plan, 8.0)

    # The Monte-Carlo standard error of 40,000 trials is below 0.0025; three of them are allowed.
    assert power == pytest.approx(share, abs=0.0075)


def test_the_expected_width_is_the_mean_of_simulated_widths(simulated):
    plan, differences = simulated
    errors = differences.std(axis=1, ddof=1) / np.sqrt(plan.sites)
    widths = t_distribution.isf(0.025, plan.sites - 1) * errors

    expected = expect_difference(COMPONENTS, plan)

    assert expected.half_width == pytest.approx(widths.mean(), rel=0.01)


def test_without_a_difference_power_is_the_error_rate():
    plan = Plan(5, 2, 3, 3)

    assert power_of_difference(COMPONENTS, plan, 0.0) == pytest.approx(0.05)
    assert power_of_difference(COMPONENTS, plan, 0.0, comparisons=5) == pytest.approx(0.01)


@pytest.mark.parametrize("difference", [30.0, 300.0, 3e6])
def test_a_large_difference_is_shown_for_certain(difference):
    assert power_of_difference(COMPONENTS, Plan(8, 2, 3, 3), difference) == pytest.approx(1.0)


def test_the_information_of_a_pile_by_hand():
    # One bag at k t = 1: f = e⁻¹, (f)² / a with a = 0.01.
    truth = DecayTruth(rate_per_day=0.05, tau2_site=0.1, tau2_pile=0.05, a=0.01)

    variance = pile_log_rate_variance(truth, np.array([20.0]), bags=1)

    assert variance == pytest.approx(0.01 * np.exp(2))
    assert pile_log_rate_variance(truth, np.array([20.0]), bags=4) == pytest.approx(variance / 4)


def test_days_to_90_narrows_with_sites_more_than_with_bags():
    truth = DecayTruth(rate_per_day=0.03, tau2_site=0.2, tau2_pile=0.05, a=0.002, b=0.01)
    days = np.array([14.0, 28.0, 56.0, 84.0])

    base = expect_days_to_90(truth, Plan(4, 2, 5, 3), days).half_width
    more_bags = expect_days_to_90(truth, Plan(4, 2, 5, 6), days).half_width
    more_sites = expect_days_to_90(truth, Plan(8, 2, 5, 3), days).half_width

    assert more_sites < more_bags < base


def test_looks_that_inform_nothing_are_refused():
    truth = DecayTruth(rate_per_day=0.05, tau2_site=0.1, tau2_pile=0.05, a=0.01)

    with pytest.raises(ScienceError, match="still decaying"):
        pile_log_rate_variance(truth, np.array([0.0]), bags=3)


@given(
    st.floats(0, 50),
    st.floats(0, 50),
    st.floats(0.1, 50),
    st.floats(0, 1000),
    st.floats(0, 300),
    st.floats(0.5, 50),
    st.floats(2, 20),
)
@settings(max_examples=40, deadline=None)
def test_the_cheapest_plan_is_the_cheapest_of_all_that_reach_the_goal(
    between, piles, residual, site, pile, bag, width
):
    parts = Components(between, between, piles, piles, residual)
    costs, asked, limits = Costs(site, pile, bag), Plan(2, 1, 4, 1, 3), Limits(20, 4, 4)

    def goal(plan):
        return expect_difference(parts, plan).half_width <= width

    found = cheapest_plan(goal, costs, asked, limits)

    grid = product(range(2, 21), range(1, 5), range(1, 5))
    others = [plan for s, j, n in grid if goal(plan := Plan(s, j, 4, n, 3))]
    if not others:
        assert found is None
    else:
        assert goal(found)
        assert costs.of(found) == min(costs.of(plan) for plan in others)


def test_a_goal_out_of_reach_has_no_plan():
    def goal(plan):
        return expect_mean(COMPONENTS, plan).half_width <= 0.1

    assert cheapest_plan(goal, Costs(1, 1, 1), Plan(3, 2, 4, 2)) is None


def test_plans_that_cost_nothing_cannot_be_ranked():
    with pytest.raises(ScienceError, match="cost something"):
        cheapest_plan(lambda plan: True, Costs(0, 0, 0), Plan(3, 2, 4, 2))


@pytest.mark.parametrize(
    ("plan", "words"), [(Plan(1, 2, 3, 3), "two sites"), (Plan(3, 0, 3, 3), "at least one pile")]
)
def test_impossible_plans_are_refused(plan, words):
    with pytest.raises(ScienceError, match=words):
        expect_mean(COMPONENTS, plan)
