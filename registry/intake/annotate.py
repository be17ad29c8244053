"""A refused file given back: the rows as sent, with what is wrong beside each."""

import csv
import io
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from registry.columns import UploadKind
from registry.errors import Fault, UnreadableBody
from registry.intake.body import CSV, JSON, require_text
from registry.intake.csv_header import read_header
from registry.intake.json_rows import array_rows, line_rows, text_columns

ADDED_COLUMNS = ("fault_fields", "fault_messages")
SEPARATOR = "; "


def with_faults(body: bytes, format_: str, kind: UploadKind, faults: Iterable[Fault]) -> str:
    """CSV of the sent rows with the added columns. Raises UnreadableBody when there are none."""
    by_row: dict[int, list[Fault]] = defaultdict(list)
    for fault in faults:
        by_row[fault.row or 0].append(fault)
    header, rows = _sent(require_text(body), format_, kind)
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow([*header, *ADDED_COLUMNS])
    for number, row in enumerate(rows, start=1):
        padded = [*row, *[""] * (len(header) - len(row))]
        writer.writerow([*padded, *_added(by_row.get(number, []))])
    return sink.getvalue()


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
