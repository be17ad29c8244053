"""What a lab has to do today, pile by pile: lift, weigh, turn, mend."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from statistics import median
from zoneinfo import ZoneInfo

from django.db.models import Count, Max, Min, Q

from registry.models import (
    Flag,
    FlagDecision,
    Pile,
    ProbeDay,
    Retrieval,
    Turning,
    Upload,
    UploadState,
)
from registry.permissions import Actor, visible_to
from registry.queries.completeness import DAYS_AHEAD, planned_bags
from registry.science.fire_safety import ACT_FROM_C

UNDER_WAY = ("registered", "running")
# Below this a reading is no longer about the pile as it is now.
HEAT_IS_NEWS_DAYS = 3
# Refused files are mended within days or never.
REFUSED_FOR_DAYS = 14
MOST_REFUSED, MOST_MISSING = 5, 50
# A rhythm needs two steps to be one.
FEWEST_TURNINGS = 3
# So many steps without a turning: the lab has stopped, and need not be told daily.
STEPS_UNTIL_OVER = 3


@dataclass(frozen=True, slots=True)
class PileDay:
    """One pile. `next_turning_on` follows the pile's own rhythm, None where it has none yet;
    `hottest_c` is of the last days, None without readings."""

    pile: Pile
    overdue: int
    due_today: int
    due_this_week: int
    next_due_on: date | None
    missing: int
    questions: int
    last_turned_on: date | None
    next_turning_on: date | None
    hottest_c: float | None

    @property
    def bags_now(self) -> int:
        return self.overdue + self.due_today


@dataclass(frozen=True, slots=True)
class LabDay:
    """Everything of today; `missing` are looks whose residue was never weighed dry."""

    today: date
    piles: tuple[PileDay, ...]
    missing: tuple[Retrieval, ...]
    refused: tuple[Upload, ...]


def lab_day(actor: Actor, *, now: datetime) -> LabDay:
    """The day of the actor's own sites, the pile that needs something first on top.

    The date is that of the first site. A fixed number of queries.
    """
    piles = list(
        Pile.objects.filter(site__in=actor.sites(), trial__state__in=UNDER_WAY)
        .select_related("site", "trial")
        .order_by("site__name", "code")
    )
    today = now.astimezone(ZoneInfo(piles[0].site.time_zone)).date() if piles else now.date()
    missing = _missing(actor)
    due, turned = _due(actor, today), _turned([pile.pk for pile in piles])
    hottest, questions = _hottest(piles, today), _questions(actor)
    unweighed = _counted(missing)
    days = []
    for pile in piles:
        waiting = due.get(pile.pk, _Due())
        days.append(
            PileDay(
                pile=pile,
                overdue=waiting.overdue,
                due_today=waiting.due_today,
                due_this_week=waiting.due_this_week,
                next_due_on=waiting.next_due_on,
                missing=unweighed.get(pile.pk, 0),
                questions=questions.get(pile.pk, 0),
                last_turned_on=max(turned[pile.pk], default=None),
                next_turning_on=next_turning(sorted(turned[pile.pk]), today=today),
                hottest_c=hottest.get(pile.pk),
            )
        )
    return LabDay(
        today=today,
        piles=tuple(sorted(days, key=_urgency)),
        missing=tuple(missing[:MOST_MISSING]),
        refused=tuple(_refused(actor, now)),
    )


def next_turning(turned_on: list[date], *, today: date) -> date | None:
    """The day after the last turning by the median step between turnings; None without a rhythm,
    or when it was broken off long ago.

    Common practice, no source: the registry holds no plan of turnings, so it can only go on as
    the lab did.
    """
    if len(turned_on) < FEWEST_TURNINGS:
        return None
    steps = [(b - a).days for a, b in zip(turned_on, turned_on[1:], strict=False)]
    step = max(1, round(median(steps)))
    if (today - turned_on[-1]).days > STEPS_UNTIL_OVER * step:
        return None
    return turned_on[-1] + timedelta(days=step)


def _urgency(day: PileDay) -> tuple[bool, int, int, date, str]:
    return (
        day.hottest_c is None or day.hottest_c < ACT_FROM_C,
        -day.overdue,
        -day.due_today,
        day.next_due_on or date.max,
        day.pile.code,
    )


@dataclass(frozen=True, slots=True)
class _Due:
    overdue: int = 0
    due_today: int = 0
    due_this_week: int = 0
    next_due_on: date | None = None


def _due(actor: Actor, today: date) -> dict[int, _Due]:
    rows = (
        planned_bags(actor)
        .order_by()
        .values_list("pile")
        .annotate(
            overdue=Count("pk", filter=Q(due_on__lt=today)),
            due_today=Count("pk", filter=Q(due_on=today)),
            due_this_week=Count(
                "pk", filter=Q(due_on__gt=today, due_on__lte=today + timedelta(days=DAYS_AHEAD))
            ),
            next_due_on=Min("due_on"),
        )
    )
    return {pile: _Due(*counts) for pile, *counts in rows}


def _missing(actor: Actor) -> list[Retrieval]:
    """Looks that found something, kept it, and tell no dry mass; oldest first."""
    rows = visible_to(actor, Retrieval).filter(
        bag__pile__site__in=actor.sites(),
        bag__trial__state__in=UNDER_WAY,
        outcome="recovered",
        dry_mass_g__isnull=True,
        reburied=False,
    )
    return list(rows.select_related("bag__trial", "bag__pile").order_by("retrieved_on", "pk"))


def _counted(looks: list[Retrieval]) -> dict[int, int]:
    found: dict[int, int] = defaultdict(int)
    for look in looks:
        found[look.bag.pile_id] += 1
    return found


def _turned(piles: list[int]) -> dict[int, list[date]]:
    found: dict[int, list[date]] = defaultdict(list)
    rows = Turning.objects.filter(pile__in=piles).order_by("turned_at")
    for pile, zone, at in rows.values_list("pile_id", "pile__site__time_zone", "turned_at"):
        found[pile].append(at.astimezone(ZoneInfo(zone)).date())
    return found


def _hottest(piles: list[Pile], today: date) -> dict[int, float]:
    rows = (
        ProbeDay.objects.filter(
            pile__in=[pile.pk for pile in piles], day__gt=today - timedelta(days=HEAT_IS_NEWS_DAYS)
        )
        .order_by()
        .values("pile")
        .annotate(hottest=Max("highest_c"))
    )
    return {row["pile"]: row["hottest"] for row in rows}


def _questions(actor: Actor) -> dict[int, int]:
    rows = (
        visible_to(actor, Flag)
        .filter(decision=FlagDecision.WAITING)
        .order_by()
        .values("pile")
        .annotate(n=Count("pk"))
    )
    return {row["pile"]: row["n"] for row in rows}


def _refused(actor: Actor, now: datetime) -> list[Upload]:
    """Refused files of the last days, newest first: of the sites, and of the person, since a file
    that was refused may not tell its site."""
    rows = visible_to(actor, Upload).filter(
        Q(site__in=actor.sites()) | Q(site__isnull=True, user=actor.user, user__isnull=False),
        state=UploadState.REJECTED,
        received_at__gte=now - timedelta(days=REFUSED_FOR_DAYS),
    )
    return list(rows.select_related("site").order_by("-pk")[:MOST_REFUSED])
