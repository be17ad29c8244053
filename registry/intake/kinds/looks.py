"""The order of looks at one bag: after the last look there is no bag to look at."""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from registry.intake.faults import FaultBook
from registry.intake.labels import UNKNOWN
from registry.intake.table import NO_DAY, BoolArray, IntArray, Table
from registry.models.retrieval import LAST_OUTCOMES


@dataclass(frozen=True, slots=True)
class Looks:
    """(n,) bag ids and days since 1970."""

    bag: IntArray
    day: IntArray


def refuse_looks_out_of_order(
    table: Table, book: FaultBook, sent: Looks, new: BoolArray, stored_rows: pa.Table
) -> None:
    """Note looks after a bag's last one, and last looks before a look that is stored."""
    usable = new & (sent.bag != UNKNOWN) & (sent.day != NO_DAY) & table.good("outcome", "reburied")
    rows = np.flatnonzero(usable)
    stored, stored_last = _stored_looks(stored_rows, sent.bag[rows])
    bag = np.concatenate([sent.bag[rows], stored.bag])
    if np.unique(bag).size == bag.size:
        return  # one look a bag: nothing can be out of order
    day = np.concatenate([sent.day[rows], stored.day])
    last = np.concatenate([_is_last(table)[rows], stored_last])
    after, before = _out_of_order(bag, day, last)
    is_new = np.arange(bag.size) < rows.size
    _tell_after(table, book, rows[after[is_new]])
    _tell_before(table, book, rows[(before & ~after)[is_new] & _later_stored(bag, day, is_new)])


def _out_of_order(bag: IntArray, day: IntArray, last: BoolArray) -> tuple[BoolArray, BoolArray]:
    """Which looks follow a last look of their bag, and which last looks are followed by another."""
    order = np.lexsort((day, bag))
    bag, last = bag[order], last[order].astype(np.int64)
    starts = np.flatnonzero(np.r_[True, bag[1:] != bag[:-1]])
    group = np.cumsum(np.r_[0, bag[1:] != bag[:-1]])
    before_me: IntArray = np.cumsum(last) - last
    after = before_me - before_me[starts][group] > 0
    is_final_row = np.r_[bag[1:] != bag[:-1], True]
    result_after, result_before = np.empty_like(after), np.empty_like(after)
    result_after[order] = after
    result_before[order] = (last > 0) & ~is_final_row
    return result_after, result_before


def _later_stored(bag: IntArray, day: IntArray, is_new: BoolArray) -> BoolArray:
    """(n_new,) true where a stored look at the bag lies later."""
    if is_new.all():
        return np.zeros(bag.size, dtype=bool)
    latest: dict[int, int] = {}
    for owner, when in zip(bag[~is_new].tolist(), day[~is_new].tolist(), strict=True):
        latest[owner] = max(when, latest.get(owner, when))
    return np.array(
        [
            latest.get(owner, when) > when
            for owner, when in zip(bag[is_new].tolist(), day[is_new].tolist(), strict=True)
        ],
        dtype=bool,
    )


def _is_last(table: Table) -> BoolArray:
    return table.is_any("outcome", *LAST_OUTCOMES) & ~table.is_any("reburied", "yes")


def _stored_looks(found: pa.Table, bags: IntArray) -> tuple[Looks, BoolArray]:
    day = pc.cast(pc.cast(found["retrieved_on"], pa.int32()), pa.int64()).to_numpy()
    outcome = pc.is_in(found["outcome"], pa.array(LAST_OUTCOMES)).to_numpy()
    last = outcome & ~found["reburied"].to_numpy()
    bag = found["bag_id"].to_numpy()
    concerned = np.isin(bag, bags)
    return Looks(bag[concerned], day[concerned]), last[concerned].astype(bool)


def _tell_after(table: Table, book: FaultBook, rows: IntArray) -> None:
    table.refuse(
        book,
        _mask(table, rows),
        "retrieved_on",
        lambda row: (
            "retrieval_after_final_look",
            f"Bag {table.column('bag_label')[row]} had left the pile at an earlier look. If it was "
            "buried again, that look needs reburied = yes.",
        ),
    )


def _tell_before(table: Table, book: FaultBook, rows: IntArray) -> None:
    table.refuse(
        book,
        _mask(table, rows),
        "retrieved_on",
        lambda row: (
            "final_look_before_later_look",
            f"A later look at bag {table.column('bag_label')[row]} is stored already, so it cannot "
            "have left the pile here. Check the day, or write reburied = yes.",
        ),
    )


def _mask(table: Table, rows: IntArray) -> BoolArray:
    mask = np.zeros(table.rows, dtype=bool)
    mask[rows] = True
    return mask
