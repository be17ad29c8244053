"""One bag with all its looks: what a technician wants to see before writing the next one."""

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from registry.columns import CODE_PATTERN
from registry.models import Bag, Flag, Retrieval
from registry.models.retrieval import LAST_OUTCOMES
from registry.permissions import Actor, Capability, can, visible_to
from registry.queries.observers import shown_observer
from registry.queries.quality_input import looks_by_trial

# A label is unique in its trial; so many trials with the same one are not what anybody typed for.
MOST_TRIALS_SHARING = 20


@dataclass(frozen=True, slots=True)
class LookRecord:
    """One look; `remaining` is the fraction of the dry start mass left, None where not weighed."""

    look: Retrieval
    observer: str
    day: int
    remaining: float | None
    flags: tuple[Flag, ...]


@dataclass(frozen=True, slots=True)
class BagRecord:
    """A bag, its looks oldest first, and what may be done with it."""

    bag: Bag
    looks: tuple[LookRecord, ...]
    may_write: bool
    today: date
    due_on: date | None

    @property
    def left_the_pile_on(self) -> date | None:
        """Day of the look that took the bag out for good; None while it may still lie there."""
        return next(
            (
                record.look.retrieved_on
                for record in self.looks
                if record.look.outcome in LAST_OUTCOMES and not record.look.reburied
            ),
            None,
        )


def bag_record(actor: Actor, bag: Bag, *, now: datetime) -> BagRecord:
    """The record of a bag that the actor may see. A fixed number of queries."""
    site, trial = bag.pile.site, bag.trial
    looks = (
        visible_to(actor, Retrieval)
        .filter(bag=bag)
        .annotate(shown_observer=shown_observer(actor.sites(), actor.trials()))
        .order_by("retrieved_on")
    )
    flags: dict[int, list[Flag]] = {}
    for flag in visible_to(actor, Flag).filter(retrieval__bag=bag).order_by("pk"):
        flags.setdefault(flag.retrieval_id or 0, []).append(flag)
    left = remaining_of_looks([bag.pile_id])
    return BagRecord(
        bag=bag,
        looks=tuple(
            LookRecord(
                look=look,
                observer=look.shown_observer,
                day=(look.retrieved_on - bag.buried_on).days,
                remaining=left.get(look.pk),
                flags=tuple(flags.get(look.pk, ())),
            )
            for look in looks
        ),
        may_write=can(actor, Capability.SUBMIT, site=site, trial=trial),
        today=now.astimezone(ZoneInfo(site.time_zone)).date(),
        due_on=None
        if bag.planned_days is None
        else bag.buried_on + timedelta(days=bag.planned_days),
    )


def remaining_of_looks(pile_ids: list[int]) -> dict[int, float]:
    """Look id → fraction of the dry start mass left; looks that were not weighed are absent."""
    found: dict[int, float] = {}
    for reviewed in looks_by_trial(pile_ids):
        table = reviewed.table
        weighed = np.isfinite(table.remaining)
        found |= dict(
            zip(table.look[weighed].tolist(), table.remaining[weighed].tolist(), strict=True)
        )
    return found


def bag_called(actor: Actor, label: str) -> list[Bag]:
    """Bags of this label that the actor may write to; more than one when trials share it."""
    label = label.strip().upper()
    if not re.fullmatch(CODE_PATTERN, label):
        return []
    found = (
        visible_to(actor, Bag)
        .filter(label=label)
        .select_related("trial", "pile__site", "material")
        .order_by("trial__code")[:MOST_TRIALS_SHARING]
    )
    return [
        bag for bag in found if can(actor, Capability.SUBMIT, site=bag.pile.site, trial=bag.trial)
    ]
