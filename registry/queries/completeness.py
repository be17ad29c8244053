"""What was planned and what became of it: by site and day, and the bags that are due."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db import connection
from django.db.models import DateField, Exists, ExpressionWrapper, F, OuterRef, QuerySet

from registry.models import Bag, Retrieval, Trial
from registry.permissions import Actor, visible_to


@dataclass(frozen=True, slots=True)
class DayCount:
    """Bags of one site planned for one day, and how their last look ended."""

    planned: int = 0
    weighed: int = 0  # recovered, or nothing left
    lost: int = 0
    damaged: int = 0
    late: int = 0  # lifted outside the window around the planned day; counted above as well
    waiting: int = 0  # no look that took the bag out yet


@dataclass(frozen=True, slots=True)
class SiteCompleteness:
    """One row of the grid; `days` runs along `Completeness.days`."""

    site: str
    site_name: str
    days: tuple[DayCount, ...]


@dataclass(frozen=True, slots=True)
class Completeness:
    days: tuple[int, ...]
    sites: tuple[SiteCompleteness, ...]


# The last look of a bag says what became of it; a look in place takes nothing out.
_COUNTS = """
SELECT site.code, site.name, bag.planned_days, count(*),
       count(*) FILTER (WHERE look.outcome IN ('recovered', 'nothing_left')),
       count(*) FILTER (WHERE look.outcome = 'bag_lost'),
       count(*) FILTER (WHERE look.outcome = 'bag_damaged'),
       count(*) FILTER (WHERE abs(look.retrieved_on - bag.buried_on - bag.planned_days) > %s),
       count(*) FILTER (WHERE look.outcome IS NULL)
  FROM registry_bag bag
  JOIN registry_pile pile ON pile.id = bag.pile_id
  JOIN registry_site site ON site.id = pile.site_id
  LEFT JOIN LATERAL (
       SELECT outcome, retrieved_on FROM registry_retrieval
        WHERE bag_id = bag.id AND outcome <> 'looked_at'
        ORDER BY retrieved_on DESC LIMIT 1) look ON true
 WHERE bag.trial_id = %s AND bag.planned_days IS NOT NULL AND bag.purpose = 'sample'
 GROUP BY site.code, site.name, bag.planned_days
"""


def completeness(trial: Trial) -> Completeness:
    """Sites by planned days. One query."""
    with connection.cursor() as cursor:
        cursor.execute(_COUNTS, [trial.window_days, trial.pk])
        rows = cursor.fetchall()
    days = tuple(sorted({row[2] for row in rows}))
    counts = {(row[0], row[2]): DayCount(*row[3:]) for row in rows}
    names = sorted({(row[0], row[1]) for row in rows})
    return Completeness(
        days=days,
        sites=tuple(
            SiteCompleteness(
                site=code,
                site_name=name,
                days=tuple(counts.get((code, day), DayCount()) for day in days),
            )
            for code, name in names
        ),
    )


@dataclass(frozen=True, slots=True)
class DueBag:
    """A bag still in its pile whose planned day is near or past; `days_over` < 0 is to come."""

    trial: str
    label: str
    site: str
    site_code: str
    pile: str
    material: str
    due_on: date
    days_over: int


# A week ahead is what a technician plans.
DAYS_AHEAD = 7


def bags_due(actor: Actor, *, today: date, at_most: int = 200) -> tuple[list[DueBag], int]:
    """Bags at the actor's own sites to lift within a week, longest overdue first; and how many."""
    rows = planned_bags(actor).filter(due_on__lte=today + timedelta(days=DAYS_AHEAD))
    found = rows.select_related("trial", "pile__site", "material").order_by("due_on", "label")[
        :at_most
    ]
    bags = [
        DueBag(
            trial=bag.trial.code,
            label=bag.label,
            site=bag.pile.site.name,
            site_code=bag.pile.site.code,
            pile=bag.pile.code,
            material=bag.material.name,
            due_on=bag.due_on,
            days_over=(today - bag.due_on).days,
        )
        for bag in found
    ]
    return bags, len(bags) if len(bags) < at_most else rows.count()


def still_buried(bags: QuerySet[Any]) -> QuerySet[Any]:
    """Without the bags that a look took out for good."""
    lifted = Retrieval.objects.filter(bag=OuterRef("pk"), reburied=False).exclude(
        outcome="looked_at"
    )
    return bags.filter(~Exists(lifted))


def planned_bags(actor: Actor) -> QuerySet[Any]:
    """Bags at the actor's own sites that no look has taken out, with the day they are `due_on`."""
    return (
        still_buried(visible_to(actor, Bag))
        .filter(
            pile__site__in=actor.sites(),
            planned_days__isnull=False,
            trial__state__in=["registered", "running"],
        )
        .annotate(
            due_on=ExpressionWrapper(F("buried_on") + F("planned_days"), output_field=DateField())
        )
    )
