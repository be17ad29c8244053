"""The rows of a JSON array or of NDJSON, as the same columns of text that a CSV file gives."""

import json
from collections.abc import Iterable, Mapping
from typing import Any

import pyarrow as pa

from registry.columns import UploadKind
from registry.errors import Fault, UnreadableBody
from registry.intake.csv_header import unknown_column
from registry.intake.faults import MOST_FAULTS_TOLD
from registry.intake.table import NOT_A_VALUE


class _DuplicateKey(ValueError):
    pass


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        raise _DuplicateKey(next(name for name in names if names.count(name) > 1))
    return found


# Numbers stay as they were written, so both formats are read by the same rules.
_DECODER = json.JSONDecoder(
    object_pairs_hook=_object, parse_float=str, parse_int=str, parse_constant=str
)


def array_rows(text: bytes, kind: UploadKind) -> list[Mapping[str, Any]]:
    """The objects of a JSON array; raises UnreadableBody."""
    try:
        found = _DECODER.decode(text.decode("utf-8"))
    except _DuplicateKey as error:
        raise UnreadableBody(
            f"An object names {str(error)[:60]!r} twice; keep one.", code="duplicate_key"
        ) from None
    except json.JSONDecodeError as error:
        raise UnreadableBody(
            f"Not valid JSON: {error.msg} at line {error.lineno}, column {error.colno}.",
            code="not_json",
        ) from None
    except RecursionError:
        raise UnreadableBody("The JSON is nested too deeply.", code="not_json") from None
    if not isinstance(found, list):
        raise UnreadableBody(
            "Send an array of objects, one object a row: [{…}, {…}].", code="not_an_array"
        )
    return _objects(found, kind)


def line_rows(text: bytes, kind: UploadKind) -> list[Mapping[str, Any]]:
    """The objects of NDJSON, one a line; blank lines are passed over. Raises UnreadableBody."""
    found: list[Any] = []
    faults: list[Fault] = []
    lines = (line for line in text.decode("utf-8").split("\n") if line.strip())
    for number, line in enumerate(lines, start=1):
        try:
            found.append(_DECODER.decode(line))
        except (ValueError, RecursionError) as error:
            faults.append(_bad_line(number, line, error))
    if faults:
        _refuse(faults, "lines are not JSON objects")
    return _objects(found, kind)


def text_columns(rows: Iterable[Mapping[str, Any]], kind: UploadKind) -> dict[str, pa.Array]:
    """Every column of the kind as text, NULL where a row does not give it."""
    rows = list(rows)
    names = [name for name in kind.column_names if any(name in row for row in rows)]
    return {name: pa.array([as_text(row.get(name)) for row in rows], pa.string()) for name in names}


def as_text(value: object) -> str | None:
    """One value as it would stand in a CSV cell."""
    if value is None or value == "":
        return None
    if isinstance(value, str):
        return value if value.isascii() else _without_surrogates(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (list, tuple, dict)):
        return NOT_A_VALUE
    return str(value)


def _without_surrogates(value: str) -> str:
    try:
        value.encode("utf-8")
    except UnicodeEncodeError:
        # Half a surrogate pair is no character: refused later, as a control character is.
        return value.encode("utf-8", "replace").decode("utf-8") + "\x1a"
    return value


def _objects(found: list[Any], kind: UploadKind) -> list[Mapping[str, Any]]:
    if not found:
        raise UnreadableBody("There are no rows.", code="no_rows")
    faults = [
        Fault(row, "", "not_an_object", 'Each row is an object: {"column": value, …}.')
        for row, value in enumerate(found, start=1)
        if not isinstance(value, dict)
    ]
    if faults:
        _refuse(faults, "rows are not objects")
    refuse_unknown(found, kind)
    return found


def refuse_unknown(rows: Iterable[Mapping[str, Any]], kind: UploadKind) -> None:
    """Raise UnreadableBody when rows name columns that the kind does not have."""
    known = set(kind.column_names)
    strange: dict[str, int] = {}
    for row, value in enumerate(rows, start=1):
        if not known.issuperset(value):
            for name in value:
                if name not in known:
                    strange.setdefault(name, row)
    if strange:
        _refuse(
            [unknown_column(_printable(name), kind, row) for name, row in strange.items()],
            "columns are unknown",
        )


def _printable(name: str) -> str:
    return name.encode("utf-8", "replace").decode("utf-8").replace("\0", "␀")


def _bad_line(number: int, line: str, error: Exception) -> Fault:
    shown = _printable(line[:200])
    if isinstance(error, _DuplicateKey):
        message = f"The object names {_printable(str(error))[:60]!r} twice; keep one."
        return Fault(number, "", "duplicate_key", message, shown)
    reason = error.msg if isinstance(error, json.JSONDecodeError) else "nested too deeply"
    return Fault(number, "", "not_json", f"Not valid JSON: {reason}. One object a line.", shown)


def _refuse(faults: list[Fault], what: str) -> None:
    first = faults[0]
    message = first.message if len(faults) == 1 else f"{first.message} ({len(faults)} {what}.)"
    raise UnreadableBody(
        message,
        code=first.code,
        field=first.field,
        faults=faults[:MOST_FAULTS_TOLD],
        fault_total=len(faults),
    )
