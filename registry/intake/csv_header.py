"""The header row of a CSV file: which columns came, or why that cannot be told."""

import csv
import difflib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from registry.columns import UploadKind
from registry.errors import Fault, UnreadableBody

# A header line this long is no header.
LONGEST_HEADER = 20_000
# No kind has a tenth of this; more are a table turned on its side.
MOST_COLUMNS = 200
OTHER_DELIMITERS = {";": "semicolons", "\t": "tabs", "|": "bars"}


@dataclass(frozen=True, slots=True)
class Header:
    """Names in the order of the file, and where the data rows start (bytes)."""

    names: tuple[str, ...]
    data_start: int


def read_header(text: bytes, kind: UploadKind) -> Header:
    """The header of a CSV body; raises UnreadableBody with every fault of it."""
    line, start = _first_line(text)
    names = _split(line)
    if len(names) > MOST_COLUMNS:
        raise UnreadableBody(
            f"The header row has {len(names):,} columns; {kind.name} has {len(kind.column_names)}. "
            f"Send these only: {', '.join(kind.column_names)}.",
            code="too_many_columns",
        )
    _refuse_other_delimiter(line, names, kind)
    if not set(names) & set(kind.column_names):
        raise UnreadableBody(
            "The first line holds none of the column names of this kind of upload. Put a header "
            f"row first: {', '.join(kind.column_names)}.",
            code="no_header",
        )
    refuse_columns(names, kind)
    return Header(tuple(names), start)


def refuse_columns(names: Sequence[str], kind: UploadKind) -> None:
    """Raise UnreadableBody when columns are unknown, doubled, unnamed or missing."""
    faults = [*_doubled(names), *_unknown(names, kind), *_missing(names, kind)]
    if not faults:
        return
    message = faults[0].message
    if len(faults) > 1:
        message += f" ({len(faults) - 1} more faults in the header.)"
    raise UnreadableBody(message, code=faults[0].code, field=faults[0].field, faults=faults)


def unknown_column(name: str, kind: UploadKind, row: int | None = None) -> Fault:
    near = difflib.get_close_matches(name.lower(), kind.column_names, n=1, cutoff=0.6)
    hint = f"Did you mean {near[0]}?" if near else f"It has {', '.join(kind.column_names)}."
    return Fault(
        row, name[:60], "unknown_column", f"{kind.name} has no column {name[:60]!r}. {hint}"
    )


def _first_line(text: bytes) -> tuple[str, int]:
    start = len(text) - len(text.lstrip(b"\r\n"))
    ends = [found for found in (text.find(b"\n", start), text.find(b"\r", start)) if found >= 0]
    end = min(ends, default=len(text))
    if end - start > LONGEST_HEADER:
        raise UnreadableBody(
            "The first line is far too long for a header row.", code="unreadable_table"
        )
    return text[start:end].decode("utf-8"), end


def _split(line: str) -> list[str]:
    try:
        cells = next(csv.reader([line], strict=True), [])
    except csv.Error:
        raise UnreadableBody(
            "The header row opens a quote and does not close it.", code="unclosed_quote"
        ) from None
    return [cell.strip() for cell in cells]


def _refuse_other_delimiter(line: str, names: list[str], kind: UploadKind) -> None:
    if set(names) & set(kind.column_names):
        return
    for delimiter, word in OTHER_DELIMITERS.items():
        if delimiter in line:
            raise UnreadableBody(
                f"Cells seem to be separated by {word}. Save the file with commas between cells "
                "and points in numbers.",
                code="wrong_delimiter",
            )


def _doubled(names: Sequence[str]) -> list[Fault]:
    return [
        Fault(
            None,
            name[:60],
            "duplicate_header",
            f"The column {name[:60]!r} appears {count} times; keep one of them.",
        )
        for name, count in Counter(names).items()
        if count > 1 and name
    ]


def _unknown(names: Sequence[str], kind: UploadKind) -> list[Fault]:
    faults = [
        Fault(
            None,
            "",
            "unnamed_column",
            f"Column {position} has no name; name it, or delete the column.",
        )
        for position, name in enumerate(names, start=1)
        if not name
    ]
    strange = dict.fromkeys(name for name in names if name and name not in kind.column_names)
    return faults + [unknown_column(name, kind) for name in strange]


def _missing(names: Sequence[str], kind: UploadKind) -> list[Fault]:
    return [
        Fault(
            None,
            name,
            "missing_column",
            f"The required column {name} is missing: {kind.column(name).meaning}.",
        )
        for name in kind.required
        if name not in names
    ]
