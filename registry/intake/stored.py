"""Rows that are stored already: the same again is harmless, other values are a conflict."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from registry.intake.arrow_rows import fetch_where
from registry.intake.faults import MOST_FAULTS_TOLD, FaultBook
from registry.intake.plan import Plan
from registry.intake.table import BoolArray, IntArray, Table

MOST_DIFFERENCES_TOLD = 3
# An id and a day since 1970 share one number: faster to look up than a text.
DAYS_OF_AN_ID = 2**20
SEND_STORED = "Send the stored values again, or leave the row out."
CORRECT_LOOK = "Send the stored values again, or make a correction with a reason."
CORRECTION_STANDS = (
    "The correction stands, whatever is sent: write the corrected value into your file, or leave "
    "the row out."
)


@dataclass(frozen=True)
class Matches:
    """(n_rows,) position of the stored row with the same key, −1 where the row is new."""

    at: IntArray
    stored: pa.Table
    repeated: BoolArray

    @property
    def new(self) -> BoolArray:
        return (self.at < 0) & ~self.repeated


def match_stored(table: Table, book: FaultBook, plan: Plan) -> Matches:
    """Find stored rows, and note rows that repeat a key or disagree with what is stored."""
    keys = _keys(plan.values, plan)
    repeated = _refuse_repeats(table, book, plan, keys)
    stored = fetch_where(
        plan.model, {name: values.type for name, values in plan.values.items()}, plan.where
    )
    if stored.num_rows == 0:
        return Matches(np.full(table.rows, -1, dtype=np.int64), stored, repeated)
    found = pc.index_in(
        keys, _keys(dict(zip(stored.column_names, stored.columns, strict=True)), plan)
    )
    found = pc.if_else(pc.is_valid(keys), found, None)
    at = pc.cast(pc.fill_null(found, -1), pa.int64()).to_numpy(zero_copy_only=False)
    matches = Matches(at, stored, repeated)
    _refuse_changes(table, book, plan, matches)
    return matches


def _keys(columns: dict[str, pa.Array], plan: Plan) -> pa.Array:
    parts = [columns[name] for name in plan.key]
    if [part.type for part in parts] == [pa.int64(), pa.date32()]:
        day = pc.cast(pc.cast(parts[1], pa.int32()), pa.int64())
        joined = pc.add(pc.multiply(parts[0], DAYS_OF_AN_ID), day)
    else:
        texts = [_key_text(part) for part in parts]
        joined = texts[0] if len(texts) == 1 else pc.binary_join_element_wise(*texts, "\x1f")
    return joined.combine_chunks() if isinstance(joined, pa.ChunkedArray) else joined


def _key_text(column: pa.Array) -> pa.Array:
    if pa.types.is_timestamp(column.type):
        column = pc.cast(column, pa.int64())
    return pc.cast(column, pa.string())


def _refuse_repeats(table: Table, book: FaultBook, plan: Plan, keys: pa.Array) -> BoolArray:
    repeated = np.zeros(table.rows, dtype=bool)
    coded = pc.dictionary_encode(keys)
    if len(coded.dictionary) + keys.null_count == len(keys):
        return repeated
    numbers = pc.fill_null(coded.indices, -1).to_numpy(zero_copy_only=False)
    _, first_of, group = np.unique(numbers, return_index=True, return_inverse=True)
    earlier = first_of[group]
    repeated = (earlier != np.arange(table.rows)) & (numbers >= 0)
    table.refuse(
        book,
        repeated,
        plan.key_field,
        lambda row: (
            "duplicate_row",
            f"Row {_number(book, int(earlier[row]))} has the same {_key_words(table)} "
            f"({_sameness(table, row, int(earlier[row]))}). Keep one of them.",
        ),
    )
    return repeated


def _sameness(table: Table, row: int, earlier: int) -> str:
    differing = [
        name
        for name, values in table.typed.items()
        if name not in table.kind.key and values[row].as_py() != values[earlier].as_py()
    ]
    return f"but another {', '.join(differing[:3])}" if differing else "and the same values"


def _key_words(table: Table) -> str:
    return ", ".join(table.kind.key)


def _number(book: FaultBook, position: int) -> int:
    return position + 1 if book.row_numbers is None else int(book.row_numbers[position])


def _refuse_changes(table: Table, book: FaultBook, plan: Plan, matches: Matches) -> None:
    rows = np.flatnonzero((matches.at >= 0) & ~matches.repeated)
    at = matches.at[rows]
    if plan.hidden is not None and rows.size:
        rows, at = _refuse_taken(table, book, plan, matches, rows, at)
    differences: dict[str, BoolArray] = {}
    for name in _in_sent_order(table, plan):
        differs = _differs(plan.values[name].take(pa.array(rows)), matches.stored[name].take(at))
        # A cell that is wrong by itself has been told; it differs from nothing.
        differs &= table.good(_sent_name(plan, name))[rows]
        if differs.any():
            mask = np.zeros(table.rows, dtype=bool)
            mask[rows] = differs
            differences[name] = mask
    _tell_changes(table, book, plan, matches, differences)


def _in_sent_order(table: Table, plan: Plan) -> list[str]:
    """Columns beside the key, in the order in which the kind declares them."""
    order = table.kind.column_names
    return sorted(
        (name for name in plan.values if name not in plan.key),
        key=lambda name: order.index(_sent_name(plan, name)),
    )


def _tell_changes(
    table: Table,
    book: FaultBook,
    plan: Plan,
    matches: Matches,
    differences: dict[str, BoolArray],
) -> None:
    told = np.zeros(table.rows, dtype=bool)
    corrected = _corrections(plan, matches, differences)
    advice = CORRECT_LOOK if table.kind.noun == "retrieval" else SEND_STORED
    for name, mask in differences.items():
        first = mask & ~told
        told |= mask

        def say(row: int) -> tuple[str, str]:
            words = [
                _difference(plan, matches, other, row)
                for other, where in differences.items()
                if where[row]
            ]
            more = "; and more" if len(words) > MOST_DIFFERENCES_TOLD else ""
            mended = [
                words
                for other, words in corrected.get(int(matches.at[row]), {}).items()
                if other in differences and differences[other][row]
            ]
            ending = f"{'; '.join(mended)}. {CORRECTION_STANDS}" if mended else advice
            return (
                f"{table.kind.noun}_changed",
                f"Stored already with other values: {'; '.join(words[:MOST_DIFFERENCES_TOLD])}"
                f"{more}. {ending}",
            )

        table.refuse(book, first, _sent_name(plan, name), say)


def _corrections(
    plan: Plan, matches: Matches, differences: Mapping[str, BoolArray]
) -> Mapping[int, Mapping[str, str]]:
    """What was corrected of the stored rows that differ, for as many as will be told."""
    if plan.corrected is None or not differences:
        return {}
    rows = np.flatnonzero(np.logical_or.reduce(list(differences.values())))[:MOST_FAULTS_TOLD]
    return plan.corrected(matches.stored, np.unique(matches.at[rows]))


def _difference(plan: Plan, matches: Matches, name: str, row: int) -> str:
    sent_name = _sent_name(plan, name)
    if name != sent_name:
        return f"another {sent_name}"
    stored = _word(matches.stored[name][int(matches.at[row])].as_py())
    return f"{sent_name} {stored} is stored, {_word(plan.values[name][row].as_py())} was sent"


def _word(value: object) -> str:
    if value is None or value == "":
        return "blank"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.15g}" if isinstance(value, float) else str(value)


def _refuse_taken(
    table: Table, book: FaultBook, plan: Plan, matches: Matches, rows: IntArray, at: IntArray
) -> tuple[IntArray, IntArray]:
    assert plan.hidden is not None
    hidden = plan.hidden(matches.stored.take(at))
    taken = np.zeros(table.rows, dtype=bool)
    taken[rows[hidden]] = True
    table.refuse(
        book,
        taken,
        plan.key_field,
        lambda row: (
            "bag_label_taken",
            f"The label {table.column(plan.key_field)[row]} is in use in this trial already. "
            "Labels are unique within a trial: begin yours with the code of your site.",
        ),
    )
    return rows[~hidden], at[~hidden]


def _differs(sent: pa.Array, stored: pa.ChunkedArray) -> BoolArray:
    one_is_blank = pc.xor(pc.is_null(sent), pc.is_null(stored))
    return pc.or_(one_is_blank, pc.fill_null(pc.not_equal(sent, stored), False)).to_numpy()


def _sent_name(plan: Plan, name: str) -> str:
    return plan.sent_names.get(name, name)
