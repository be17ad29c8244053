"""The probes of one pile, each by its roll-up: what it logged, and whether it speaks for the pile.

The latest day inside the pile carries the word on overheating, since that is where people work.
"""

from dataclasses import dataclass
from datetime import date

from django.db.models import Max, Min, Sum

from registry.models import Pile, ProbeDay
from registry.queries.exclusions import excluded_probes
from registry.science.fire_safety import ADVICE, fire_attention
from registry.science.log_heat import AIR
from registry.science.logger_faults import ASK_ABOVE_C


@dataclass(frozen=True, slots=True)
class ProbeLine:
    """One probe's log in few numbers; days are UTC."""

    probe: str
    in_air: bool
    excluded: bool
    n_readings: int
    first_day: date
    last_day: date
    lowest_c: float
    highest_c: float

    @property
    def ask_about_unit(self) -> bool:
        """Hotter than a live pile usually gets: °F sent as °C, or a probe at fault."""
        return not self.in_air and self.highest_c > ASK_ABOVE_C


@dataclass(frozen=True, slots=True)
class LatestDay:
    """The last logged day inside the pile, its highest reading, and what that asks for."""

    day: date
    highest_c: float
    attention: str
    advice: str


def probes_of(pile: Pile) -> list[ProbeLine]:
    """Every probe of the pile, in the order of their codes. Two queries."""
    left_out = {probe for _, probe in excluded_probes([pile.pk])}
    rows = ProbeDay.objects.filter(pile=pile).order_by("probe").values("probe")
    found = rows.annotate(
        n=Sum("count"),
        first=Min("day"),
        last=Max("day"),
        low=Min("lowest_c"),
        high=Max("highest_c"),
    )
    return [
        ProbeLine(
            probe=row["probe"],
            in_air=AIR in row["probe"],
            excluded=row["probe"] in left_out,
            n_readings=row["n"],
            first_day=row["first"],
            last_day=row["last"],
            lowest_c=row["low"],
            highest_c=row["high"],
        )
        for row in found
    ]


def latest_day(pile: Pile, probes: list[ProbeLine]) -> LatestDay | None:
    """The last day on which a probe in the pile logged; None without any. One query."""
    inside = [line for line in probes if not (line.in_air or line.excluded)]
    if not inside:
        return None
    day = max(line.last_day for line in inside)
    there = ProbeDay.objects.filter(pile=pile, day=day, probe__in=[line.probe for line in inside])
    highest = there.aggregate(highest=Max("highest_c"))["highest"]
    attention = fire_attention(highest)
    return LatestDay(day, highest, attention, ADVICE[attention])
