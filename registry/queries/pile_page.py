"""One pile as its technician wants it: heat day by day, what was done to it, its start mix."""

from dataclasses import dataclass
from datetime import date

import numpy as np
from django.db.models import Case, F, Max, Min, Q, Sum, Value, When

from registry.models import Flag, Pile, ProbeDay, Turning
from registry.permissions import Actor, visible_to
from registry.queries.exclusions import excluded_probes
from registry.queries.pile_heat import heat_of_pile
from registry.queries.pile_recipe import Recipe, recipe_of
from registry.queries.probe_logs import HOURS_PER_DAY, SECONDS_PER_HOUR, probe_logs
from registry.science.heat_class import HeatSummary
from registry.science.log_heat import AIR
from registry.science.logger_faults import without_spans
from registry.science.thermal import HOT_C, gaps_longer_than, spans_at_least
from registry.science.types import FloatArray

MOST_FLAGS = 50
EPOCH = date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class HeatDay:
    """Readings of one UTC day over the probes in the pile, or of the air; °C."""

    day: date
    low_c: float
    mean_c: float
    high_c: float
    n_readings: int


@dataclass(frozen=True, slots=True)
class DaySpan:
    """From when to when, in days since the start of the day on which the pile was built."""

    from_day: float
    until_day: float


@dataclass(frozen=True, slots=True)
class PileLog:
    """The heat of a pile; spans are of the probe that speaks for it (`summary.probe`)."""

    inside: tuple[HeatDay, ...]
    air: tuple[HeatDay, ...]
    hot: tuple[DaySpan, ...]
    gaps: tuple[DaySpan, ...]
    summary: HeatSummary


@dataclass(frozen=True, slots=True)
class PileRecord:
    """Everything a pile page shows, as far as the actor may see it."""

    pile: Pile
    log: PileLog
    recipe: Recipe
    turnings: tuple[Turning, ...]
    flags: tuple[Flag, ...]


def pile_record(actor: Actor, pile: Pile) -> PileRecord:
    """The record of a pile that the actor may see. A fixed number of queries."""
    recipe = recipe_of(actor, pile)
    flags = (
        visible_to(actor, Flag)
        .filter(pile=pile)
        .select_related("bag", "retrieval__bag", "decided_by")
        .order_by("-pk")[:MOST_FLAGS]
    )
    return PileRecord(
        pile=pile,
        log=_log(actor, pile, recipe.mix.cn_ratio if recipe.mix else None),
        recipe=recipe,
        turnings=tuple(visible_to(actor, Turning).filter(pile=pile).order_by("turned_at")),
        flags=tuple(flags),
    )


def _log(actor: Actor, pile: Pile, cn_ratio: float | None) -> PileLog:
    days = _heat_days(actor, pile)
    summary = heat_of_pile(pile, cn_ratio=cn_ratio)
    hours = celsius = np.empty(0)
    if days and summary.probe:
        log = probe_logs([pile.pk])[pile.pk][summary.probe]
        outside = tuple(span for span in summary.outside if span.probe == summary.probe)
        hours, celsius = without_spans(log.hours, log.celsius, outside)
    return PileLog(
        inside=tuple(day for is_air, day in days if not is_air),
        air=tuple(day for is_air, day in days if is_air),
        hot=_spans(pile, spans_at_least(hours, celsius, HOT_C)),
        gaps=_spans(pile, gaps_longer_than(hours)),
        summary=summary,
    )


def _heat_days(actor: Actor, pile: Pile) -> list[tuple[bool, HeatDay]]:
    """(is air, day) from the daily roll-up; probes left out by a decision are left out here."""
    left_out = [probe for _, probe in excluded_probes([pile.pk])]
    rows = (
        visible_to(actor, ProbeDay)
        .filter(pile=pile)
        .exclude(probe__in=left_out)
        .annotate(is_air=Case(When(probe__contains=AIR, then=Value(True)), default=Value(False)))
        .order_by()
        .values("is_air", "day")
        .annotate(
            low=Min("lowest_c"),
            high=Max("highest_c"),
            n=Sum("count"),
            mean=Sum(F("mean_c") * F("count")) / Sum("count"),
        )
        .order_by("is_air", "day")
    )
    return [
        (row["is_air"], HeatDay(row["day"], row["low"], row["mean"], row["high"], row["n"]))
        for row in rows
    ]


def _spans(pile: Pile, hours: FloatArray) -> tuple[DaySpan, ...]:
    """Spans in hours since 1970 as days since the pile was built."""
    start = (pile.started_on - EPOCH).days
    return tuple(
        DaySpan(float(first) / HOURS_PER_DAY - start, float(last) / HOURS_PER_DAY - start)
        for first, last in hours
    )


def day_of(pile: Pile, moment_h: float) -> float:
    """Days since the pile was built, of a moment in hours since 1970."""
    return moment_h / HOURS_PER_DAY - (pile.started_on - EPOCH).days


def hours_of(turning: Turning) -> float:
    return turning.turned_at.timestamp() / SECONDS_PER_HOUR


def neighbouring_piles(actor: Actor, pile: Pile) -> list[Pile]:
    """Other piles of the same site and trial that the actor may see, by code."""
    rows = visible_to(actor, Pile).filter(Q(site=pile.site) & Q(trial=pile.trial))
    return list(rows.exclude(pk=pile.pk).order_by("code"))
