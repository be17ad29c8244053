"""Drawn and fitted trials of the primary model beside the formula, and what is said of them."""

import math

import numpy as np
import pytest

from registry.science.plan import DecayTruth, Plan, expect_days_to_90
from registry.science.plan_simulation import draw_looks, simulate_days_to_90
from registry.science.types import ScienceError

TRUTH = DecayTruth(
    rate_per_day=0.035, tau2_site=0.12, tau2_pile=0.04, a=0.0004, b=0.0064, lag_days=8.0
)
DAYS = np.array([14.0, 28, 42, 56, 84, 112])


@pytest.mark.parametrize(("sites", "piles", "bags"), [(4, 3, 4), (8, 2, 3)])
def test_the_formula_gives_the_width_of_fitted_trials(sites, piles, bags):
    plan = Plan(sites, piles, 1, bags)

    found = simulate_days_to_90(TRUTH, plan, DAYS, n_trials=60, seed=4)

    expected = expect_days_to_90(TRUTH, plan, DAYS).half_width
    assert found.n_with_interval == 60
    # Three Monte-Carlo standard errors, and 6 % for what the formula takes as known.
    assert abs(found.half_width - expected) < 3 * found.half_width_error + 0.06 * expected
    assert abs(found.coverage - 0.95) < 3 * math.sqrt(0.95 * 0.05 / 60)
    assert found.factor == pytest.approx(math.exp(found.half_width))
    assert found.half_width_low < found.half_width < found.half_width_high


def test_drawn_looks_follow_the_assumed_curve():
    # With hardly any spread every bag lies on the curve.
    truth = DecayTruth(0.02, tau2_site=1e-12, tau2_pile=1e-12, a=1e-12, lag_days=10.0)

    looks = draw_looks(
        truth, Plan(2, 2, 1, 3), np.array([5.0, 60.0]), 0.02, np.random.default_rng(1)
    )

    assert len(looks) == 2 * 2 * 2 * 3
    assert looks.remaining[looks.day == 5] == pytest.approx(1.0, abs=1e-4)
    assert looks.remaining[looks.day == 60] == pytest.approx(math.exp(-1.0), abs=1e-4)


def test_the_same_seed_gives_the_same_answer_and_progress_is_told():
    told = []
    options = {"n_trials": 3, "seed": 11}

    first = simulate_days_to_90(
        TRUTH, Plan(3, 2, 1, 2), DAYS, **options, on_trial=lambda *step: told.append(step)
    )
    again = simulate_days_to_90(TRUTH, Plan(3, 2, 1, 2), DAYS, **options)

    assert first == again
    assert told == [(1, 3), (2, 3), (3, 3)]


def test_trials_without_an_answer_are_counted_by_what_became_of_them():
    # Gone long before the first look: no rate can be told.
    gone = DecayTruth(2.0, tau2_site=0.01, tau2_pile=0.01, a=1e-5)

    found = simulate_days_to_90(gone, Plan(3, 2, 1, 2), DAYS, n_trials=4, seed=1)

    assert found.n_with_interval == 0
    assert found.half_width is found.coverage is found.factor is None
    assert dict(found.outcomes) == {"all_gone_at_first_look": 4}


def test_impossible_simulations_are_refused():
    with pytest.raises(ScienceError, match="one trial"):
        simulate_days_to_90(TRUTH, Plan(3, 2, 1, 2), DAYS, n_trials=0, seed=1)
    with pytest.raises(ScienceError, match="two sites"):
        simulate_days_to_90(TRUTH, Plan(1, 2, 1, 2), DAYS, n_trials=1, seed=1)
