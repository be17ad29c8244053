"""The form of every cell: kind, range, vocabulary, length. Two ways to the same typed columns.

`typed_table` takes columns that Arrow parsed straight into types and only says whether all is well.
`text_table` takes text and notes every fault.
"""

from datetime import date

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from registry.columns import CODE_PATTERN, Column, Kind, UploadKind
from registry.intake import cell_hints
from registry.intake.faults import FaultBook, Say
from registry.intake.patterns import (
    CONTROL_PATTERN,
    DATE_PATTERN,
    DATETIME_PATTERN,
    NUMBER_PATTERN,
)
from registry.intake.table import NOT_A_VALUE, BoolArray, Table, always

TEXT_KINDS = (Kind.CODE, Kind.TEXT, Kind.CHOICE, Kind.YES_NO, Kind.DATETIME)
YES_NO = ("yes", "no")
# Looking texts up costs a third of checking them.
WORTH_CODING = 2
# No trial is older or planned further ahead; outside, a digit slipped.
FIRST_DAY, LAST_DAY = date(1970, 1, 1), date(2199, 12, 31)


def typed_table(columns: dict[str, pa.Array], kind: UploadKind) -> Table | None:
    """The table when every cell is well-formed, else None."""
    rows = len(next(iter(columns.values())))
    typed = {}
    for name, values in columns.items():
        column = kind.column(name)
        codes = _codes(values) if column.kind in TEXT_KINDS else None
        if codes is not None:
            values = codes.dictionary
        if column.kind in TEXT_KINDS:
            values = _trimmed(values)
        if not _all_well_formed(values, column):
            return None
        if codes is not None:
            values = values.take(codes.indices)
        if column.required and values.null_count:
            return None
        typed[name] = values
    return Table(kind, rows, typed)


def _codes(values: pa.Array) -> pa.DictionaryArray | None:
    """Texts that repeat a great deal, so that each is checked once; None where few do."""
    codes = pc.dictionary_encode(values)
    return codes if len(codes.dictionary) * WORTH_CODING < len(values) else None


def text_table(columns: dict[str, pa.Array], kind: UploadKind, rows: int, book: FaultBook) -> Table:
    """The typed table of text columns; every fault of form goes into `book`."""
    table = Table(kind, rows, {}, text=columns)
    trimmed = {name: _trimmed(values) for name, values in columns.items()}
    blank_rows = _note_blank_rows(table, trimmed, book)
    for column in kind.columns:
        if column.name in trimmed:
            _read_column(table, column, trimmed[column.name], blank_rows, book)
        elif column.required:
            missing = ~blank_rows
            table.bad[column.name] = np.ones(rows, dtype=bool)
            table.refuse(book, missing, column.name, _required(column))
    return table


def _all_well_formed(values: pa.Array, column: Column) -> bool:
    match column.kind:
        case Kind.NUMBER | Kind.INTEGER:
            return not (_outside(values, column) | _fractional(values, column)).any()
        case Kind.DATE:
            return not _far_days(values).any()
        case Kind.CODE:
            return _all(pc.match_substring_regex(values, CODE_PATTERN))
        case Kind.CHOICE | Kind.YES_NO:
            return _all(_known(values, column))
        case Kind.DATETIME:
            return _all(pc.match_substring_regex(values, DATETIME_PATTERN))
        case Kind.TEXT:
            return not (_too_long(values, column) | _control(values)).any()


def _read_column(
    table: Table, column: Column, text: pa.Array, blank_rows: BoolArray, book: FaultBook
) -> None:
    name = column.name
    no_value = _bools(pc.equal(text, NOT_A_VALUE))
    control = _control(text) & ~no_value
    plain = pc.if_else(pa.array(no_value | control), None, text)
    values, malformed = _convert(plain, column)
    blank = _bools(pc.is_null(text))
    bad = no_value | control | malformed
    table.refuse(book, no_value, name, always("not_a_single_value", cell_hints.ONE_VALUE))
    table.refuse(book, control, name, always("control_character", cell_hints.CONTROL))
    table.refuse(book, malformed, name, lambda row: cell_hints.explain(text[row].as_py(), column))
    if column.required:
        table.refuse(book, blank & ~blank_rows, name, _required(column))
        bad |= blank
    if bad.any():
        table.bad[name] = bad
    table.typed[name] = values


def _convert(text: pa.Array, column: Column) -> tuple[pa.Array, BoolArray]:
    """Typed values, NULL where blank or malformed, and which are malformed."""
    match column.kind:
        case Kind.NUMBER | Kind.INTEGER:
            values = _to_numbers(text)
            wrong = _outside(values, column) | _fractional(values, column)
        case Kind.DATE:
            values = _to_days(text)
            wrong = _far_days(values)
        case Kind.CODE:
            values, wrong = text, ~_bools(pc.match_substring_regex(text, CODE_PATTERN), null=True)
        case Kind.CHOICE | Kind.YES_NO:
            values, wrong = text, ~_bools(_known(text, column), null=True)
        case Kind.DATETIME:
            matches = pc.match_substring_regex(text, DATETIME_PATTERN)
            values, wrong = text, ~_bools(matches, null=True)
        case Kind.TEXT:
            values, wrong = text, _too_long(text, column)
    unread = _bools(pc.is_valid(text)) & _bools(pc.is_null(values))
    malformed = wrong | unread
    return pc.if_else(pa.array(malformed), None, values), malformed


def _to_numbers(text: pa.Array) -> pa.Array:
    readable = pc.if_else(pc.match_substring_regex(text, NUMBER_PATTERN), text, None)
    try:
        return pc.cast(pc.replace_substring_regex(readable, r"^\+", ""), pa.float64())
    except pa.ArrowInvalid:  # more digits than Arrow takes
        return pa.array([None if cell is None else float(cell) for cell in readable.to_pylist()])


def _to_days(text: pa.Array) -> pa.Array:
    """Dates repeat a great deal, so each distinct text is read once."""
    readable = pc.if_else(pc.match_substring_regex(text, DATE_PATTERN), text, None)
    coded = pc.dictionary_encode(readable)
    days = pa.array([_day(cell) for cell in coded.dictionary.to_pylist()], pa.date32())
    return days.take(coded.indices)


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _outside(values: pa.Array, column: Column) -> BoolArray:
    numbers = values.to_numpy(zero_copy_only=False)
    given = _bools(pc.is_valid(values))
    low = -np.inf if column.low is None else column.low
    high = np.inf if column.high is None else column.high
    # Written so that NaN is outside; and no infinity is inside.
    inside = (numbers >= low) & (numbers <= high) & np.isfinite(numbers)
    return given & ~inside


def _fractional(values: pa.Array, column: Column) -> BoolArray:
    numbers = values.to_numpy(zero_copy_only=False)
    if column.kind is not Kind.INTEGER:
        return np.zeros(len(values), dtype=bool)
    return np.isfinite(numbers) & (numbers != np.round(numbers))


def _far_days(values: pa.Array) -> BoolArray:
    return _bools(
        pc.or_(pc.less(values, pa.scalar(FIRST_DAY)), pc.greater(values, pa.scalar(LAST_DAY)))
    )


def _known(values: pa.Array, column: Column) -> pa.Array:
    choices = YES_NO if column.kind is Kind.YES_NO else column.choices
    known = pc.is_in(values, pa.array(choices, pa.string()))
    return pc.if_else(pc.is_null(values), None, known)


def _too_long(values: pa.Array, column: Column) -> BoolArray:
    return _bools(pc.greater(pc.utf8_length(values), column.max_length))


def _control(values: pa.Array) -> BoolArray:
    return _bools(pc.match_substring_regex(values, CONTROL_PATTERN))


def _trimmed(values: pa.Array) -> pa.Array:
    trimmed = pc.utf8_trim_whitespace(values)
    return pc.if_else(pc.equal(trimmed, ""), None, trimmed)


def _note_blank_rows(table: Table, trimmed: dict[str, pa.Array], book: FaultBook) -> BoolArray:
    blank = np.ones(table.rows, dtype=bool)
    for values in trimmed.values():
        blank &= _bools(pc.is_null(values))
    table.refuse(book, blank, "", always("blank_row", "Every cell is blank; delete the row."))
    return blank


def _required(column: Column) -> Say:
    return always("required", f"{column.name} is required: {column.meaning}.")


def _all(answers: pa.Array) -> bool:
    return pc.all(answers, min_count=0).as_py() is not False


def _bools(answers: pa.Array, *, null: bool = False) -> BoolArray:
    return pc.fill_null(answers, null).to_numpy(zero_copy_only=False)
