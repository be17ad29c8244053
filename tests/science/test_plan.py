"""Planning by formula against the fitted model, simulation, and hand-worked cases."""

import numpy as np
import pytest
from scipy.stats import t as t_distribution

from registry.science.mixed.fixed_day import fit_fixed_day
from registry.science.plan import (
    Components,
    Costs,
    DecayTruth,
    Plan,
    cheapest_plan,
    expect_days_to_90,
    expect_difference,
    expect_mean,
    pile_log_rate_variance,
    power_of_difference,
)
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


def test_the_cheapest_plan_is_the_cheapest_of_all_that_reach_the_goal():
    costs = Costs(site=500.0, pile=100.0, bag=8.0)

    def goal(plan):
        return expect_difference(COMPONENTS, plan).half_width <= 6

    found = cheapest_plan(goal, costs, 4)

    others = [Plan(s, j, 4, n) for s in range(2, 41) for j in range(1, 9) for n in range(1, 9)]
    assert goal(found)
    assert costs.of(found) == min(costs.of(p) for p in others if goal(p))


def test_a_goal_out_of_reach_has_no_plan():
    def goal(plan):
        return expect_mean(COMPONENTS, plan).half_width <= 0.1

    assert cheapest_plan(goal, Costs(1, 1, 1), 4) is None


@pytest.mark.parametrize(
    ("plan", "words"), [(Plan(1, 2, 3, 3), "two sites"), (Plan(3, 0, 3, 3), "at least one pile")]
)
def test_impossible_plans_are_refused(plan, words):
    with pytest.raises(ScienceError, match=words):
        expect_mean(COMPONENTS, plan)
