"""One question of a coordinator who plans a trial, answered by formula: with words for each case.

What is asked: how well days to 90 % will be known, whether a material will be told from its
reference on the primary day, and the cheapest plan that reaches what is wanted. Every answer has an
`outcome`; a number is None where the outcome says that there is none.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from registry.science.plan import (
    Components,
    Costs,
    DecayTruth,
    Plan,
    check_plan,
    expect_days_to_90,
    expect_difference,
    expect_mean,
    power_of_difference,
)
from registry.science.plan_search import Limits, cheapest_plan, largest_plan
from registry.science.types import ScienceError

# Known to a factor of a hundred either way is not known.
WIDEST_FACTOR = 100.0
DAYS_OUTCOMES = ("expected", "too_wide", "no_look_informs", "not_given")
COMPARISON_OUTCOMES = ("expected", "one_material", "not_given")
CHEAPEST_OUTCOMES = ("found", "out_of_reach", "cannot_be_judged", "not_asked")


@dataclass(frozen=True)
class Goal:
    """What a plan must reach; None is not asked for.

    factor : days to 90 % known within this factor up and down. half_width : of the difference from
    the reference, percentage points. power : chance to show the assumed difference.
    """

    factor: float | None = None
    half_width: float | None = None
    power: float | None = None

    @property
    def asked(self) -> bool:
        return (self.factor, self.half_width, self.power) != (None, None, None)


@dataclass(frozen=True)
class Question:
    """Assumed variances (`decay` for days to 90 %, `on_day` for the comparison), a plan, a goal.

    days : days of the looks. difference : assumed true difference from the reference, percentage
    points. comparisons : materials compared with the reference at once.
    """

    plan: Plan
    days: tuple[float, ...]
    decay: DecayTruth | None = None
    on_day: Components | None = None
    difference: float | None = None
    comparisons: int = 1
    level: float = 0.95
    goal: Goal = Goal()
    costs: Costs = Costs(1.0, 1.0, 1.0)
    limits: Limits = Limits()


@dataclass(frozen=True)
class DaysAnswer:
    """Expected interval of the mean days to 90 %: `low` to `high` about `typical`, days.

    factor : the interval's reach up and down, of the days after the lag. standard_error : of the
    natural log of those days.
    """

    outcome: str
    message: str
    typical: float | None = None
    low: float | None = None
    high: float | None = None
    factor: float | None = None
    standard_error: float | None = None
    df: int | None = None


@dataclass(frozen=True)
class ComparisonAnswer:
    """Expected half widths on the primary day, percentage points, and power."""

    outcome: str
    message: str
    mean_half_width: float | None = None
    half_width: float | None = None
    standard_error: float | None = None
    df: int | None = None
    power: float | None = None


@dataclass(frozen=True)
class CheapestAnswer:
    outcome: str
    message: str
    plan: Plan | None = None
    cost: float | None = None
    days_to_90: DaysAnswer | None = None
    comparison: ComparisonAnswer | None = None


@dataclass(frozen=True)
class PlanAnswer:
    plan: Plan
    cost: float
    days_to_90: DaysAnswer
    comparison: ComparisonAnswer
    cheapest: CheapestAnswer


def answer(question: Question) -> PlanAnswer:
    """Answer by formula.

    Raises ScienceError for a plan of fewer than two sites, or of no pile, material or bag.
    """
    plan = question.plan
    check_plan(plan)
    return PlanAnswer(
        plan=plan,
        cost=question.costs.of(plan),
        days_to_90=_days(question, plan),
        comparison=_comparison(question, plan),
        cheapest=_cheapest(question),
    )


def _days(question: Question, plan: Plan) -> DaysAnswer:
    truth = question.decay
    if truth is None:
        return DaysAnswer("not_given", "The variances of the decay rate are not given.")
    try:
        found = expect_days_to_90(truth, plan, np.array(question.days), question.level)
    except ScienceError as problem:
        return DaysAnswer("no_look_informs", str(problem), typical=truth.days_to_90)
    error, df = found.standard_error, int(found.df)
    if found.half_width > math.log(WIDEST_FACTOR):
        said = f"The interval would reach over a factor of {WIDEST_FACTOR:g} up and down."
        return DaysAnswer("too_wide", said, truth.days_to_90, standard_error=error, df=df)
    factor = math.exp(found.half_width)
    after = truth.days_to_90 - truth.lag_days
    low, high = truth.lag_days + after / factor, truth.lag_days + after * factor
    said = f"Days to 90 % are expected to be known from {low:.0f} to {high:.0f} days."
    return DaysAnswer("expected", said, truth.days_to_90, low, high, factor, error, df)


def _comparison(question: Question, plan: Plan) -> ComparisonAnswer:
    parts = question.on_day
    if parts is None:
        return ComparisonAnswer("not_given", "The variances of the primary day are not given.")
    mean = expect_mean(parts, plan, question.level).half_width
    if plan.materials < 2:
        said = "One material alone has nothing to be compared with."
        return ComparisonAnswer("one_material", said, mean_half_width=mean)
    found = expect_difference(parts, plan, question.level)
    power = None
    said = f"A difference is expected to be known to ± {found.half_width:.1f} percentage points."
    if question.difference is not None:
        power = power_of_difference(
            parts,
            plan,
            question.difference,
            level=question.level,
            comparisons=question.comparisons,
        )
        share = f"{100 * power:.0f}" if power < 0.995 else "more than 99"
        said = (
            f"A true difference of {question.difference:g} percentage points would be shown in "
            f"{share} of 100 such trials."
        )
    return ComparisonAnswer(
        outcome="expected",
        message=said,
        mean_half_width=mean,
        half_width=found.half_width,
        standard_error=found.standard_error,
        df=int(found.df),
        power=power,
    )


def _cheapest(question: Question) -> CheapestAnswer:
    goal = question.goal
    if not goal.asked:
        return CheapestAnswer("not_asked", "No goal was given.")
    if missing := _missing(question):
        return CheapestAnswer("cannot_be_judged", missing)
    plan = cheapest_plan(_reaches(question), question.costs, question.plan, question.limits)
    outcome = "out_of_reach" if plan is None else "found"
    told = largest_plan(question.plan, question.limits) if plan is None else plan
    size = (
        f"{told.sites} sites, {_counted(told.piles, 'pile')} each, {_counted(told.bags, 'bag')}"
        " per material, pile and look"
    )
    said = f"The cheapest: {size}."
    if told.piles == 1:
        said += " With one pile per site it cannot be told how much piles of a site differ."
    days, comparison = _days(question, told), _comparison(question, told)
    if plan is None:
        said = f"Even {size} do not reach it. "
        said += " ".join(_shortfalls(goal, days, comparison))
    return CheapestAnswer(outcome, said, told, question.costs.of(told), days, comparison)


def _counted(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _missing(question: Question) -> str:
    """What a goal needs and the question does not give, as a sentence; empty when all is there."""
    goal = question.goal
    if goal.factor is not None and question.decay is None:
        return "A goal for days to 90 % needs the variances of the decay rate."
    if goal.half_width is None and goal.power is None:
        return ""
    if question.on_day is None:
        return "A goal for the comparison needs the variances of the primary day."
    if question.plan.materials < 2:
        return "A goal for the comparison needs two materials or more."
    if goal.power is not None and question.difference is None:
        return "A goal for the power needs the difference that should be shown."
    return ""


def _reaches(question: Question) -> Callable[[Plan], bool]:
    goal = question.goal

    def reaches(plan: Plan) -> bool:
        days = _days(question, plan) if goal.factor is not None else None
        comparison = None
        if goal.half_width is not None or goal.power is not None:
            comparison = _comparison(question, plan)
        return not _unmet(goal, days, comparison)

    return reaches


def _unmet(goal: Goal, days: DaysAnswer | None, comparison: ComparisonAnswer | None) -> list[str]:
    """Names of the goals that are not reached."""
    unmet = []
    reached = math.inf if days is None or days.factor is None else days.factor
    if goal.factor is not None and reached > goal.factor:
        unmet.append("factor")
    if comparison is not None and comparison.half_width is not None:
        if goal.half_width is not None and comparison.half_width > goal.half_width:
            unmet.append("half_width")
        if goal.power is not None and (comparison.power or 0.0) < goal.power:
            unmet.append("power")
    return unmet


def _shortfalls(goal: Goal, days: DaysAnswer, comparison: ComparisonAnswer) -> list[str]:
    """How far the largest plan comes, goal by goal."""
    said = []
    for name in _unmet(goal, days, comparison):
        if name == "factor":
            reached = f"a factor of {days.factor:.2f}" if days.factor else "no usable interval"
            said.append(f"Days to 90 %: {reached}, wanted {goal.factor:g}.")
        elif name == "half_width":
            reached = f"± {comparison.half_width:.1f}"
            said.append(f"Difference: {reached} percentage points, wanted {goal.half_width:g}.")
        else:
            said.append(f"Power: {comparison.power or 0.0:.2f}, wanted {goal.power:g}.")
    return said
