"""What a person needs to see beside a finding: the other looks, the batch, or the other probes.

All of it lies in the pile or, for a batch, at the site of the flag, so whoever may see the flag may
see it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import BooleanField, Case, Q, QuerySet, Value, When

from registry.models import Bag, Flag, FlagDecision, ProbeDay, Retrieval
from registry.queries.exclusions import excluded_looks
from registry.science.quality_rules import LOG_CODES, LOGGER_CODES, RECIPE_CODES
from registry.science.weighings import Weighings, columns_from_weighings

# Days of the log shown before and after the moments of a finding about a logger.
DAYS_AROUND = 3
# A batch is read at a glance or not at all.
LARGEST_BATCH = 200
CONTROL_ROLES = {
    "control_lost_mass": "negative_control",
    "control_gained_mass": "negative_control",
    "control_not_degraded": "positive_control",
}

# Findings beside which no look is of use.
NOT_ABOUT_LOOKS = {**LOGGER_CODES, **LOG_CODES, **RECIPE_CODES}


@dataclass(frozen=True, slots=True)
class LookSeen:
    """One look. `remaining` is the fraction of the oven-dry start mass that is pooled, if any."""

    pk: int
    bag: int
    label: str
    material: str
    day: int
    planned_days: int | None
    retrieved_on: date
    outcome: str
    initial_mass_g: float
    dry_mass_g: float | None
    ash_pct: float | None
    fragmentation: int | None
    remaining: float | None
    is_excluded: bool
    is_subject: bool
    is_same_bag: bool
    is_replicate: bool  # a bag to be lifted on the same day as the one in question


@dataclass(frozen=True, slots=True)
class BagSeen:
    label: str
    pile: str
    initial_mass_g: float
    is_subject: bool


@dataclass(frozen=True, slots=True)
class Evidence:
    """`looks` of the pile by day and label, `batch` by start mass, `probe_days` by day."""

    bag: Bag | None
    looks: tuple[LookSeen, ...]
    batch: tuple[BagSeen, ...]
    probe_days: tuple[ProbeDay, ...]
    others: tuple[Flag, ...]


def evidence_of(flag: Flag) -> Evidence:
    """Everything beside one flag. At most four queries."""
    bag = flag.retrieval.bag if flag.retrieval is not None else flag.bag
    return Evidence(
        bag=bag,
        looks=tuple(_looks(flag, bag)),
        batch=tuple(_batch(flag, bag)),
        probe_days=tuple(_probe_days(flag)),
        others=tuple(_others(flag, bag)),
    )


def _looks(flag: Flag, bag: Bag | None) -> list[LookSeen]:
    if flag.code in NOT_ABOUT_LOOKS:
        return []
    rows = Retrieval.objects.filter(bag__pile=flag.pile)
    if bag is not None:
        rows = rows.filter(bag__material=bag.material_id)
    elif flag.code in CONTROL_ROLES:
        rows = rows.filter(bag__material__role=CONTROL_ROLES[flag.code])
    else:
        rows = rows.filter(outcome__in=["bag_lost", "bag_damaged"])
    found = _with_exclusion(rows).order_by("retrieved_on", "bag__label")
    return _seen(list(found), flag, bag)


def looks_at(bag: Bag) -> list[LookSeen]:
    """Every look at one bag, oldest first. One query."""
    rows = _with_exclusion(Retrieval.objects.filter(bag=bag))
    return _seen(list(rows.order_by("retrieved_on")), None, bag)


def _with_exclusion(rows: QuerySet[Retrieval]) -> QuerySet[Retrieval]:
    left_out = Case(
        When(excluded_looks(), then=Value(True)),
        default=Value(False),
        output_field=BooleanField(),
    )
    return rows.select_related("bag__material", "bag__trial", "bag__pile__site").annotate(
        is_excluded=left_out
    )


def _seen(rows: Sequence[Retrieval], flag: Flag | None, bag: Bag | None) -> list[LookSeen]:
    subject = flag.retrieval_id if flag is not None else None
    return [
        LookSeen(
            pk=row.pk,
            bag=row.bag_id,
            label=row.bag.label,
            material=row.bag.material.name,
            day=(row.retrieved_on - row.bag.buried_on).days,
            planned_days=row.bag.planned_days,
            retrieved_on=row.retrieved_on,
            outcome=row.outcome,
            initial_mass_g=row.bag.initial_mass_g,
            dry_mass_g=row.dry_mass_g,
            ash_pct=row.ash_pct,
            fragmentation=row.fragmentation,
            remaining=remaining,
            is_excluded=row.is_excluded,  # type: ignore[attr-defined]
            is_subject=row.pk == subject,
            is_same_bag=bag is not None and row.bag_id == bag.pk,
            is_replicate=_is_replicate(row.bag, bag),
        )
        for row, remaining in zip(rows, _remaining(rows), strict=True)
    ]


def _is_replicate(other: Bag, bag: Bag | None) -> bool:
    return (
        bag is not None
        and other.pk != bag.pk
        and bag.planned_days is not None
        and other.planned_days == bag.planned_days
    )


def _remaining(rows: Sequence[Retrieval]) -> list[float | None]:
    """By the same mass balance as the pooling; a true zero is 0."""
    if not rows:
        return []
    raw = [
        (
            *(row.bag.pile.site.code, row.bag.pile.code, row.bag.material.code, row.bag.label),
            *((row.retrieved_on - row.bag.buried_on).days, row.outcome, row.bag.purpose),
            *(row.bag.initial_mass_g, row.bag.initial_moisture_pct, row.dry_mass_g),
            *(row.ash_pct, row.contaminant_ash_pct, row.bag.material.initial_ash_pct),
            *(row.fragmentation, row.bag.material.role, False),
        )
        for row in rows
    ]
    limit = rows[0].bag.trial.detection_limit
    found = columns_from_weighings(Weighings.from_rows(raw, detection_limit=limit)).remaining
    return [
        0.0 if row.outcome == "nothing_left" else (float(value) if value == value else None)
        for row, value in zip(rows, found, strict=True)
    ]


def _batch(flag: Flag, bag: Bag | None) -> list[BagSeen]:
    """Bags cut from the same material at the same site, when the start mass is in question."""
    if flag.bag_id is None or bag is None:
        return []
    rows = Bag.objects.filter(
        trial=bag.trial_id, material=bag.material_id, pile__site=flag.pile.site_id
    ).exclude(purpose="empty")
    found = rows.select_related("pile").order_by("initial_mass_g", "label")[:LARGEST_BATCH]
    return [BagSeen(r.label, r.pile.code, r.initial_mass_g, r.pk == bag.pk) for r in found]


def _probe_days(flag: Flag) -> list[ProbeDay]:
    if not flag.probe:
        return []
    rows = ProbeDay.objects.filter(pile=flag.pile).defer("seconds", "celsius", "uploads")
    if flag.from_at is not None:
        until = flag.until_at or flag.from_at
        around = timedelta(days=DAYS_AROUND)
        rows = rows.filter(day__range=(flag.from_at - around, until + around))
    return list(rows.order_by("day", "probe")[: 30 * DAYS_AROUND])


def _others(flag: Flag, bag: Bag | None) -> list[Flag]:
    """What else was found about the bag, the probe, or the pile as a whole."""
    about = Q(bag__isnull=True, retrieval__isnull=True, probe=flag.probe)
    if bag is not None:
        about = Q(bag=bag) | Q(retrieval__bag=bag)
    rows = Flag.objects.filter(about, pile=flag.pile).exclude(pk=flag.pk)
    rows = rows.select_related("pile__site", "bag", "retrieval__bag")
    return list(rows.exclude(decision=FlagDecision.WITHDRAWN).order_by("pk")[:20])
