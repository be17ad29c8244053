"""Bytes → the table of an upload: the fast way when every cell is well-formed, or the full one."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from registry.columns import UploadKind
from registry.errors import BodyTooLarge, UnreadableBody
from registry.intake.body import CSV, JSON, require_text
from registry.intake.check import text_table, typed_table
from registry.intake.csv_rows import TextRows, read_text, read_typed
from registry.intake.faults import FaultBook
from registry.intake.json_rows import array_rows, line_rows, refuse_unknown, text_columns
from registry.intake.table import Table


def read_fast(body: bytes, format_: str, kind: UploadKind, most_rows: int) -> Table | None:
    """A well-formed CSV file as a table without its text; None when the full way is needed."""
    if format_ != CSV:
        return None
    columns = read_typed(require_text(body), kind)
    if columns is None:
        return None
    _require_room(len(next(iter(columns.values()))), most_rows)
    return typed_table(columns, kind)


def read_fully(
    body: bytes, format_: str, kind: UploadKind, most_rows: int, book: FaultBook
) -> Table:
    """The table with its text, every fault of form in `book`. Raises UnreadableBody."""
    text = require_text(body)
    if format_ == CSV:
        return _csv_table(read_text(text, kind, book.most), kind, most_rows, book)
    rows = array_rows(text, kind) if format_ == JSON else line_rows(text, kind)
    _require_room(len(rows), most_rows)
    return text_table(text_columns(rows, kind), kind, len(rows), book)


def read_one(values: Mapping[str, Any], kind: UploadKind, book: FaultBook) -> Table:
    """A table of one row. Raises UnreadableBody when it names unknown columns."""
    refuse_unknown([values], kind)
    return text_table(text_columns([values], kind), kind, 1, book)


def _csv_table(read: TextRows, kind: UploadKind, most_rows: int, book: FaultBook) -> Table:
    _require_room(read.rows, most_rows)
    if read.row_numbers is not None:
        book.row_numbers = np.array(read.row_numbers, dtype=np.int64)
    table = text_table(read.columns, kind, read.rows, book)
    if read.faults:
        _refuse_ragged(read, book)
    return table


def _refuse_ragged(read: TextRows, book: FaultBook) -> None:
    """Rows that do not line up with the header make the file unreadable; other faults go along."""
    book.note_all(read.faults, read.fault_total)
    refused = UnreadableBody(
        f"{read.fault_total} rows have more or fewer cells than the header.",
        code="ragged_row",
        faults=book.told(),
        fault_total=book.total,
    )
    refused.rows_sent = read.rows + read.fault_total
    raise refused


def _require_room(rows: int, most_rows: int) -> None:
    if rows > most_rows:
        raise BodyTooLarge(
            f"The file has {rows:,} rows; one upload takes at most {most_rows:,}. Split it."
        )
