"""What a coordinator is told about a plan: numbers where there are some, a named outcome always."""

import math
from dataclasses import replace

import pytest

from registry.science.plan import Components, Costs, DecayTruth, Plan, expect_days_to_90
from registry.science.plan_answer import Goal, Question, answer
from registry.science.plan_search import Limits
from registry.science.types import ScienceError

DECAY = DecayTruth(0.035, tau2_site=0.1, tau2_pile=0.03, a=0.0004, b=0.006, lag_days=7.0)
ON_DAY = Components(30.0, 15.0, 20.0, 8.0, 25.0)
QUESTION = Question(
    plan=Plan(5, 2, 4, 3, looks=4),
    days=(14.0, 28.0, 56.0, 84.0),
    decay=DECAY,
    on_day=ON_DAY,
    difference=12.0,
    comparisons=3,
)


def test_days_are_told_about_the_typical_time_with_the_lag_kept_apart():
    found = answer(QUESTION).days_to_90

    expected = expect_days_to_90(DECAY, QUESTION.plan, QUESTION.days)
    after = math.log(10) / 0.035
    assert found.outcome == "expected"
    assert found.typical == pytest.approx(7 + after)
    assert found.factor == pytest.approx(math.exp(expected.half_width))
    assert found.low == pytest.approx(7 + after / found.factor)
    assert found.high == pytest.approx(7 + after * found.factor)
    assert found.df == 4


def test_bags_of_all_looks_are_counted_and_paid_for():
    found = answer(replace(QUESTION, costs=Costs(100, 10, 1)))

    assert found.plan.n_bags == 5 * 2 * 4 * 3 * 4
    assert found.cost == 500 + 100 + 480


def test_the_cheapest_plan_meets_every_goal_and_one_site_fewer_does_not():
    goal = Goal(factor=1.4, half_width=9.0, power=0.8)

    found = answer(replace(QUESTION, goal=goal, costs=Costs(200, 20, 1))).cheapest

    assert found.outcome == "found"
    assert found.days_to_90.factor <= 1.4
    assert found.comparison.half_width <= 9.0
    assert found.comparison.power >= 0.8
    fewer = answer(replace(QUESTION, plan=replace(found.plan, sites=found.plan.sites - 1)))
    short = (
        fewer.days_to_90.factor > 1.4
        or fewer.comparison.half_width > 9.0
        or fewer.comparison.power < 0.8
    )
    assert short


def test_a_goal_beyond_every_plan_says_how_far_the_largest_comes():
    goal = Goal(factor=1.01, power=0.999)

    found = answer(replace(QUESTION, goal=goal, difference=1.0, limits=Limits(10, 3, 4))).cheapest

    assert found.outcome == "out_of_reach"
    assert found.plan == Plan(10, 3, 4, 4, 4)
    assert "Even 10 sites, 3 piles each, 4 bags" in found.message
    assert f"a factor of {found.days_to_90.factor:.2f}, wanted 1.01" in found.message
    assert "wanted 0.999" in found.message


@pytest.mark.parametrize(
    ("changes", "goal", "words"),
    [
        ({"decay": None}, Goal(factor=1.3), "variances of the decay rate"),
        ({"on_day": None}, Goal(power=0.8), "variances of the primary day"),
        ({"difference": None}, Goal(power=0.8), "difference that should be shown"),
        ({"plan": Plan(5, 2, 1, 3)}, Goal(half_width=5.0), "two materials"),
    ],
)
def test_a_goal_that_cannot_be_judged_says_what_is_missing(changes, goal, words):
    found = answer(replace(QUESTION, goal=goal, **changes)).cheapest

    assert (found.outcome, found.plan) == ("cannot_be_judged", None)
    assert words in found.message


def test_what_is_not_given_has_no_number():
    found = answer(Question(plan=Plan(5, 2, 4, 3), days=(28.0,)))

    assert found.days_to_90.outcome == found.comparison.outcome == "not_given"
    assert found.days_to_90.typical is found.comparison.half_width is None
    assert found.cheapest.outcome == "not_asked"


def test_looks_after_everything_is_gone_inform_nothing():
    fast = replace(DECAY, rate_per_day=5.0)

    found = answer(replace(QUESTION, decay=fast)).days_to_90

    assert (found.outcome, found.factor) == ("no_look_informs", None)
    assert found.typical == pytest.approx(7 + math.log(10) / 5)


def test_two_sites_far_apart_give_an_interval_too_wide_to_use():
    apart = replace(DECAY, tau2_site=1.0)

    found = answer(replace(QUESTION, decay=apart, plan=Plan(2, 1, 4, 1))).days_to_90

    assert (found.outcome, found.factor, found.low) == ("too_wide", None, None)
    assert found.standard_error > 0.7


def test_one_material_has_a_mean_and_no_comparison():
    found = answer(replace(QUESTION, plan=Plan(5, 2, 1, 3))).comparison

    assert (found.outcome, found.half_width, found.power) == ("one_material", None, None)
    assert found.mean_half_width > 0


def test_one_site_is_refused():
    with pytest.raises(ScienceError, match="two sites"):
        answer(replace(QUESTION, plan=Plan(1, 2, 4, 3)))
