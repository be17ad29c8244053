"""A planned trial in words and small tables."""

from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters.numbers import NONE, counted_bags, interval, percent, significant
from registry.queries.plan_question import Assumed
from registry.science.plan import Plan
from registry.science.plan_answer import ComparisonAnswer, DaysAnswer, PlanAnswer, Question

Rows = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class PlanPage:
    """`rows` of the plan; `goal` in a sentence and, where a plan was found, its rows."""

    taken_from: str
    lead: list[str]
    rows: Rows
    goal: str
    goal_rows: Rows
    assumed: Rows
    notes: tuple[str, ...]


def plan_page(question: Question, assumed: Assumed, found: PlanAnswer) -> PlanPage:
    cheapest = found.cheapest
    goal_rows: Rows = []
    if cheapest.plan and cheapest.days_to_90 and cheapest.comparison and cheapest.cost is not None:
        goal_rows = _rows(cheapest.plan, cheapest.cost, cheapest.days_to_90, cheapest.comparison)
    return PlanPage(
        taken_from=assumed.source,
        lead=[found.days_to_90.message, found.comparison.message],
        rows=_rows(found.plan, found.cost, found.days_to_90, found.comparison),
        goal="" if cheapest.outcome == "not_asked" else cheapest.message,
        goal_rows=goal_rows,
        assumed=_assumed(question),
        notes=assumed.notes,
    )


def _rows(plan: Plan, cost: float, days: DaysAnswer, comparison: ComparisonAnswer) -> Rows:
    rows = [
        (_("Size"), _size(plan)),
        (_("Cost"), f"{cost:,.0f}"),
        (_("Days to 90 %, typical pile"), significant(days.typical, 3)),
        (_("Expected 95 % interval of the mean, days"), interval(days.low, days.high, 3)),
        (_("The same as a factor up and down"), significant(days.factor, 3)),
        (_("Mean loss on the primary day, ± percentage points"), _one(comparison.mean_half_width)),
        (_("Difference of two materials, ± percentage points"), _one(comparison.half_width)),
        (_("Chance to show the difference"), percent(comparison.power)),
    ]
    return [row for row in rows if row[1] != NONE]


def _size(plan: Plan) -> str:
    return _("%(sites)s, %(piles)s each, %(bags)s per material, pile and look: %(all)s in all") % {
        "sites": ngettext("%(n)d site", "%(n)d sites", plan.sites) % {"n": plan.sites},
        "piles": ngettext("%(n)d pile", "%(n)d piles", plan.piles) % {"n": plan.piles},
        "bags": counted_bags(plan.bags),
        "all": counted_bags(plan.n_bags),
    }


def _one(value: float | None) -> str:
    return NONE if value is None else significant(value)


def _assumed(question: Question) -> Rows:
    rows: Rows = []
    if question.decay is not None:
        truth = question.decay
        rows += [
            (_("Decay rate, per day"), significant(truth.rate_per_day, 3)),
            (_("Days before the loss begins"), significant(truth.lag_days)),
            (_("SD of the log rate between sites"), significant(truth.tau2_site**0.5)),
            (_("SD of the log rate between piles"), significant(truth.tau2_pile**0.5)),
            (_("Residual SD with nothing left"), percent(truth.a**0.5)),
            (_("Residual SD with everything left"), percent((truth.a + truth.b) ** 0.5)),
        ]
    if question.on_day is not None:
        parts = question.on_day
        rows += [
            (name, _("%(sd)s points") % {"sd": significant(variance**0.5)})
            for name, variance in (
                (_("Primary day, SD between sites"), parts.site),
                (_("… of site and material together"), parts.site_material),
                (_("… between piles of a site"), parts.pile),
                (_("… of pile and material together"), parts.pile_material),
                (_("… between bags"), parts.residual),
            )
        ]
    return rows
