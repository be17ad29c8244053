"""Codes people write → the records they mean, as far as the sender may see and write them.

What a sender may not see is answered exactly like what does not exist.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import Generic, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from registry.intake.faults import FaultBook
from registry.intake.table import BoolArray, IntArray, Table, always
from registry.models import Material, Pile, Site, Trial
from registry.permissions import Actor, Reach, reach, visible_to

UNKNOWN = -1
# Two ids share one 64-bit number.
ID_STEP = 2**31
T = TypeVar("T")


@dataclass
class Sender:
    """Who sends, when, and where they may write."""

    actor: Actor
    now: datetime
    foreign_rows: int = 0

    @cached_property
    def reach(self) -> Reach:
        return reach(self.actor)

    def may_write(self, site_id: int, trial_id: int) -> bool:
        return self.reach.covers(site_id, trial_id)

    def may_write_rows(self, site: IntArray, trial: IntArray) -> BoolArray:
        """(n_rows,) true where both ids are known and the sender may write there."""
        pairs = np.where((site >= 0) & (trial >= 0), site * ID_STEP + trial, UNKNOWN)
        distinct, index = np.unique(pairs, return_inverse=True)
        answers = [
            pair != UNKNOWN and self.may_write(*divmod(pair, ID_STEP)) for pair in distinct.tolist()
        ]
        return np.array(answers, dtype=bool)[index]


@dataclass(frozen=True)
class Matched(Generic[T]):
    """(n_rows,) index into `records`, UNKNOWN where the label leads nowhere."""

    index: IntArray
    records: Sequence[T]

    def ids(self, values: Sequence[int]) -> IntArray:
        """(n_rows,) one number per record, spread over the rows; UNKNOWN where no record."""
        return np.array([*values, UNKNOWN], dtype=np.int64)[self.index]


@dataclass(frozen=True, slots=True)
class PileRow:
    """What a row needs to know of its pile."""

    id: int
    site_id: int
    trial_id: int
    site_code: str
    code: str
    time_zone: str
    started_on: date


def match_sites(table: Table, book: FaultBook) -> Matched[Site]:
    column = table.column("site")
    sites = list(Site.objects.filter(code__in=_distinct(column)))
    matched = Matched(_index(column, [site.code for site in sites]), sites)
    unknown = (matched.index == UNKNOWN) & table.given("site")
    table.refuse(
        book,
        unknown,
        "site",
        lambda row: (
            "unknown_site",
            f"There is no site {column[row]}. Check the code, or ask a coordinator to register it.",
        ),
    )
    return matched


def match_trials(table: Table, book: FaultBook, sender: Sender) -> Matched[Trial]:
    column = table.column("trial")
    trials = list(visible_to(sender.actor, Trial).filter(code__in=_distinct(column)))
    matched = Matched(_index(column, [trial.code for trial in trials]), trials)
    unknown = (matched.index == UNKNOWN) & table.given("trial")
    table.refuse(
        book,
        unknown,
        "trial",
        lambda row: (
            "unknown_trial",
            f"There is no trial {column[row]}. Check the code against the list of trials.",
        ),
    )
    return matched


def match_materials(table: Table, book: FaultBook, sender: Sender) -> Matched[Material]:
    column = table.column("material")
    found = list(visible_to(sender.actor, Material).filter(code__in=_distinct(column)))
    matched = Matched(_index(column, [material.code for material in found]), found)
    unknown = (matched.index == UNKNOWN) & table.given("material")
    table.refuse(
        book,
        unknown,
        "material",
        lambda row: (
            "unknown_material",
            f"There is no material {column[row]}. Upload materials first, or check the code.",
        ),
    )
    return matched


def match_piles(table: Table, book: FaultBook, sender: Sender) -> Matched[PileRow]:
    """Piles by site and code, each one the sender may write to."""
    sites = match_sites(table, book)
    piles = _piles_named(table, sites.records, sender)
    keys = pc.binary_join_element_wise(table.column("site"), table.column("pile"), "/")
    index = _index(keys, [f"{pile.site_code}/{pile.code}" for pile in piles])
    matched = Matched(index, piles)
    unknown = (index == UNKNOWN) & (sites.index != UNKNOWN) & table.given("pile")
    table.refuse(
        book,
        unknown,
        "pile",
        lambda row: (
            "unknown_pile",
            f"Site {table.column('site')[row]} has no pile {table.column('pile')[row]} that you "
            "may write to. Upload piles first, or check both codes.",
        ),
    )
    foreign = (index != UNKNOWN) & ~sender.may_write_rows(
        matched.ids([pile.site_id for pile in piles]),
        matched.ids([pile.trial_id for pile in piles]),
    )
    refuse_foreign(table, book, sender, foreign, "site")
    return matched


def refuse_foreign(
    table: Table, book: FaultBook, sender: Sender, foreign: BoolArray, column: str
) -> None:
    """Note rows of sites where the sender sees records but may not write them."""
    sender.foreign_rows += int(foreign.sum())
    table.refuse(
        book,
        foreign,
        column,
        always(
            "not_your_site",
            "You may not write rows of this site: use that site's own token, or one of a "
            "coordinator of the trial.",
        ),
    )


def _piles_named(table: Table, sites: Sequence[Site], sender: Sender) -> list[PileRow]:
    found = visible_to(sender.actor, Pile).filter(
        site__in=[site.pk for site in sites], code__in=_distinct(table.column("pile"))
    )
    columns = (
        "id",
        "site_id",
        "trial_id",
        "site__code",
        "code",
        "site__time_zone",
        "started_on",
    )
    return [PileRow(*row) for row in found.values_list(*columns)]


def _distinct(column: pa.Array) -> list[str]:
    return [code for code in pc.unique(column).to_pylist() if code is not None]


def _index(column: pa.Array, codes: Sequence[str]) -> IntArray:
    found = pc.index_in(column, pa.array(codes, pa.string()))
    # A blank cell is found nowhere, whatever the list holds.
    found = pc.if_else(pc.is_valid(column), found, None)
    return pc.cast(pc.fill_null(found, UNKNOWN), pa.int64()).to_numpy(zero_copy_only=False)
