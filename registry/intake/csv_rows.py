"""The rows of a CSV body: straight into types when all is well, else as text with every fault."""

import re
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.csv as arrow_csv

from registry.columns import UploadKind
from registry.errors import Fault, UnreadableBody
from registry.intake.csv_header import Header, read_header
from registry.intake.faults import MOST_FAULTS_TOLD
from registry.intake.table import ARROW_TYPES

# A row must fit into one block; the longest lawful row is a few kilobytes.
BLOCK_BYTES = 4 * 1024 * 1024
SOMETHING = re.compile(rb"\S")


@dataclass(frozen=True, slots=True)
class TextRows:
    """All cells as text, with the rows that could not be split left out and reported."""

    columns: dict[str, pa.Array]
    rows: int
    row_numbers: list[int] | None
    faults: tuple[Fault, ...]
    fault_total: int


def read_typed(text: bytes, kind: UploadKind) -> dict[str, pa.Array] | None:
    """Typed columns, or None when any cell resists: then `read_text` says why."""
    header = _header(text, kind)
    types = {name: ARROW_TYPES[kind.column(name).kind] for name in header.names}
    try:
        table = _parse(text, header, types, arrow_csv.ParseOptions(newlines_in_values=b'"' in text))
    except pa.ArrowInvalid:
        return None
    return _whole_columns(table)


def read_text(text: bytes, kind: UploadKind, most: int | None = MOST_FAULTS_TOLD) -> TextRows:
    """Every cell as text; raises UnreadableBody when there are no rows and cells to be told."""
    header = _header(text, kind)
    ragged: list[tuple[int, int, str]] = []
    total = 0

    def skip(row: arrow_csv.InvalidRow) -> str:
        nonlocal total
        total += 1
        if most is None or len(ragged) < most:
            ragged.append((row.number, row.actual_columns, row.text))
        skipped.append(row.number)
        return "skip"

    skipped: list[int] = []
    options = arrow_csv.ParseOptions(newlines_in_values=b'"' in text, invalid_row_handler=skip)
    try:
        table = _parse(text, header, dict.fromkeys(header.names, pa.string()), options)
    except pa.ArrowInvalid:
        raise UnreadableBody(
            "The file cannot be split into rows: look for a cell that opens a quote and does not "
            "close it.",
            code="unreadable_table",
        ) from None
    return TextRows(
        columns=_whole_columns(table),
        rows=table.num_rows,
        row_numbers=_numbers_without(skipped, table.num_rows) if skipped else None,
        faults=tuple(_ragged(number, cells, row, header) for number, cells, row in ragged),
        fault_total=total,
    )


def _header(text: bytes, kind: UploadKind) -> Header:
    if text.count(b'"') % 2:
        raise UnreadableBody(
            "A cell opens a double quote and never closes it. Inside a quoted cell write a double "
            'quote twice ("").',
            code="unclosed_quote",
        )
    header = read_header(text, kind)
    if SOMETHING.search(text, header.data_start) is None:
        raise UnreadableBody("There is a header row, but no row below it.", code="no_rows")
    return header


def _parse(
    text: bytes,
    header: Header,
    types: dict[str, pa.DataType],
    parse: arrow_csv.ParseOptions,
) -> pa.Table:
    by_row = parse.invalid_row_handler is not None  # row numbers need a single thread
    return arrow_csv.read_csv(
        pa.py_buffer(text).slice(header.data_start),
        arrow_csv.ReadOptions(
            column_names=list(header.names), block_size=BLOCK_BYTES, use_threads=not by_row
        ),
        parse,
        arrow_csv.ConvertOptions(
            column_types=types, null_values=[""], strings_can_be_null=True, check_utf8=False
        ),
    )


def _whole_columns(table: pa.Table) -> dict[str, pa.Array]:
    return {
        name: _whole(column) for name, column in zip(table.column_names, table.columns, strict=True)
    }


def _whole(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()


def _numbers_without(skipped: list[int], kept: int) -> list[int]:
    gone = set(skipped)
    return [number for number in range(1, kept + len(gone) + 1) if number not in gone]


def _ragged(number: int, cells: int, row: str, header: Header) -> Fault:
    wanted = len(header.names)
    if cells < wanted:
        hint = "Keep a comma for every blank cell."
    elif ";" in row:
        hint = "Cells seem to be separated by semicolons; separate them by commas."
    else:
        hint = 'Look for a decimal comma (write 12.5), or put text with a comma in "quotes".'
    message = f"The row has {cells} cells, the header has {wanted}. {hint}"
    return Fault(number, "", "ragged_row", message, row[:200])
