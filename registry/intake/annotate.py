"""A refused file given back: the rows as sent, with what is wrong beside each."""

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from registry.columns import UploadKind
from registry.errors import Fault, UnreadableBody
from registry.intake.body import CSV, JSON, require_text
from registry.intake.csv_header import read_header
from registry.intake.json_rows import array_rows, line_rows, text_columns

ADDED_COLUMNS = ("fault_fields", "fault_messages")
SEPARATOR = "; "
# A cell far too long was refused with its row, and is given back like any other.
csv.field_size_limit(2**31 - 1)
# Row and its faults; the end comes after every row.
Group = tuple[float, Iterable[Fault]]
END: Group = (math.inf, ())


def with_faults(
    body: bytes, format_: str, kind: UploadKind, faults: Iterator[Fault]
) -> Iterator[str]:
    """Lines of a CSV of the sent rows with the added columns; `faults` are ordered by row.

    Raises UnreadableBody, before the first line, when there are no rows to write beside.
    """
    header, rows = _sent(require_text(body), format_, kind)
    return _lines(header, rows, groupby(faults, key=lambda fault: fault.row or 0))


def row_lines(body: bytes, kind: UploadKind, most: int) -> list[int]:
    """Line of the CSV file on which each of the first `most` data rows starts: blank lines hold
    none, a quoted cell may hold several. Raises UnreadableBody."""
    text = require_text(body)
    start = read_header(text, kind).data_start
    reader = csv.reader(io.StringIO(text[start:].decode("utf-8"), newline=""))
    above, found, last = text.count(b"\n", 0, start), [], 0
    for row in reader:
        if row:
            found.append(above + last + 1)
        if len(found) == most:
            break
        last = reader.line_num
    return found


def _lines(
    header: Sequence[str], rows: Iterator[Sequence[str]], by_row: Iterator[Group]
) -> Iterator[str]:
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow([*header, *ADDED_COLUMNS])
    at, faults = next(by_row, END)
    for number, row in enumerate(rows, start=1):
        while at < number:
            at, faults = next(by_row, END)
        padded = [*row, *[""] * (len(header) - len(row))]
        writer.writerow([*padded, *_added(list(faults) if at == number else [])])
        yield _taken(sink)


def _taken(sink: io.StringIO) -> str:
    text = sink.getvalue()
    sink.seek(0)
    sink.truncate()
    return text


def _added(faults: Sequence[Fault]) -> tuple[str, str]:
    fields = dict.fromkeys(fault.field for fault in faults if fault.field)
    return SEPARATOR.join(fields), SEPARATOR.join(fault.message for fault in faults)


def _sent(
    text: bytes, format_: str, kind: UploadKind
) -> tuple[Sequence[str], Iterator[Sequence[str]]]:
    if format_ == CSV:
        header = read_header(text, kind)
        return header.names, _csv_rows(text[header.data_start :].decode("utf-8"))
    columns = text_columns(
        array_rows(text, kind) if format_ == JSON else line_rows(text, kind), kind
    )
    cells = [[cell or "" for cell in column.to_pylist()] for column in columns.values()]
    return list(columns), zip(*cells, strict=True)


def _csv_rows(text: str) -> Iterator[Sequence[str]]:
    try:
        yield from (row for row in csv.reader(io.StringIO(text, newline="")) if row)
    except csv.Error as error:
        raise UnreadableBody(
            f"The rows cannot be told apart: {error}.", code="unreadable_table"
        ) from None
