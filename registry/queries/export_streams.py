"""An extract as CSV, NDJSON or Parquet, straight out of Postgres' COPY.

A few hundred kilobytes are held at a time, whatever the number of rows. A stream that breaks ends
without its last bytes, so that nobody takes a part for the whole.
"""

import io
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Any

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
from django.db import connection, transaction
from django.db.backends.utils import CursorWrapper

from registry.columns import Column, Kind
from registry.csv_text import guarded_sql
from registry.queries.export_rows import Extract

# About 250 kB of looks.
ROWS_AT_A_TIME = 1_500
# Parsed at once and written as one group of rows of a Parquet file.
CHUNKS_IN_A_GROUP = 16
# A hash of many bags fits; the default would send it through temporary files. Compiling the query
# takes longer than it saves.
PLANNER = "SET LOCAL work_mem = '64MB'; SET LOCAL jit = off"
# From here on rows are read along an index that has their order: sorting them would spill to disk.
MANY_ROWS = 50_000

AS_CSV = "FORMAT csv"
# JSON escapes control characters, so these never occur in a line and nothing is quoted.
AS_LINES = "FORMAT csv, DELIMITER E'\\x02', QUOTE E'\\x01'"

ARROW_TYPES = {
    Kind.NUMBER: pa.float64(),
    Kind.INTEGER: pa.int64(),
    Kind.DATE: pa.date32(),
    Kind.DATETIME: pa.timestamp("s", tz="UTC"),
    Kind.YES_NO: pa.bool_(),
}


def csv_chunks(rows: Extract) -> Iterator[bytes]:
    """Header, then rows: UTF-8, dot decimal, ISO 8601, blank where missing, formulas disarmed."""
    yield (",".join(column.name for column in rows.columns) + "\n").encode()
    yield from _cells(rows, _csv_cell)


def ndjson_chunks(rows: Extract) -> Iterator[bytes]:
    """One JSON object a line; null where missing."""
    lines = f"SELECT row_to_json(line) FROM ({_select(rows, _json_value)}) AS line"
    yield from _copied(lines, rows.values, AS_LINES)


def parquet_chunks(rows: Extract) -> Iterator[bytes]:
    """The same rows as a Parquet file, typed, a group of rows at a time."""
    schema = pa.schema([pa.field(c.name, _arrow_type(c)) for c in rows.columns])
    sink = _Sink()
    with pa.parquet.ParquetWriter(sink, schema, compression="zstd") as writer:
        for block in _together(_cells(rows, _parquet_cell), CHUNKS_IN_A_GROUP):
            writer.write_table(_parsed(block, schema))
            yield sink.taken()
    yield sink.taken()


STREAMS: dict[str, Callable[[Extract], Iterator[bytes]]] = {
    "csv": csv_chunks,
    "ndjson": ndjson_chunks,
    "parquet": parquet_chunks,
}


def _cells(rows: Extract, cell: Callable[[Column], str]) -> Iterator[bytes]:
    return _copied(_select(rows, cell), rows.values, AS_CSV)


def _copied(sql: str, values: tuple[Any, ...], form: str) -> Iterator[bytes]:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(PLANNER)
        if _expected_rows(cursor, sql, values) > MANY_ROWS:
            cursor.execute("SET LOCAL enable_sort = off")
        with cursor.copy(f"COPY ({sql}) TO STDOUT WITH ({form})", values) as copy:
            yield from _together(copy, ROWS_AT_A_TIME)


def _expected_rows(cursor: CursorWrapper, sql: str, values: tuple[Any, ...]) -> float:
    cursor.execute(f"EXPLAIN (FORMAT JSON) {sql}", values)
    (plan,) = cursor.fetchone()
    return float(plan[0]["Plan"]["Plan Rows"])


def _together(rows: Iterable[memoryview | bytes], n: int) -> Iterator[bytes]:
    """Rows joined by so many: one is too little to send, and to hand from layer to layer."""
    left = iter(rows)
    while block := b"".join(islice(left, n)):
        yield block


def _select(rows: Extract, cell: Callable[[Column], str]) -> str:
    """The extract with its cells as they are to be written.

    The order stands outside, so that Postgres makes one query of both and computes a cell once.
    """
    cells = ", ".join(f'{cell(column)} AS "{column.name}"' for column in rows.columns)
    order = [f"order_{number}" for number in range(rows.n_order)]
    names = ", ".join([*(f'"{column.name}"' for column in rows.columns), *order])
    sql = f"SELECT {cells} FROM ({rows.sql}) AS picked ({names})"
    return f"{sql} ORDER BY {', '.join(order)}" if order else sql


def _csv_cell(column: Column) -> str:
    return guarded_sql(f'"{column.name}"') if column.kind is Kind.TEXT else _plain_cell(column)


def _plain_cell(column: Column) -> str:
    name = f'"{column.name}"'
    match column.kind:
        case Kind.YES_NO:
            return f"{name}::text"
        case Kind.DATETIME:
            return f"""to_char({name} AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"')"""
        case Kind.TEXT | Kind.CHOICE if not column.required:
            return f"nullif({name}, '')"
    return name


def _parquet_cell(column: Column) -> str:
    """As the database writes it: the parser reads `t` as true and an empty text as missing."""
    return _plain_cell(column) if column.kind is Kind.DATETIME else f'"{column.name}"'


def _json_value(column: Column) -> str:
    return f'"{column.name}"' if column.kind is Kind.YES_NO else _plain_cell(column)


def _arrow_type(column: Column) -> pa.DataType:
    return ARROW_TYPES.get(column.kind, pa.string())


def _parsed(block: bytes, schema: pa.Schema) -> pa.Table:
    """Whole rows of CSV as a typed table."""
    return pa.csv.read_csv(
        pa.BufferReader(block),
        read_options=pa.csv.ReadOptions(column_names=schema.names),
        parse_options=pa.csv.ParseOptions(newlines_in_values=True),
        convert_options=pa.csv.ConvertOptions(
            column_types=schema,
            null_values=[""],
            strings_can_be_null=True,
            true_values=["t"],
            false_values=["f"],
        ),
    )


class _Sink(io.RawIOBase):
    """What was written since it was last taken, as a file to write to."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._position = 0

    def writable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._position

    def write(self, data: bytes) -> int:  # type: ignore[override]
        self._parts.append(bytes(data))
        self._position += len(data)
        return len(data)

    def taken(self) -> bytes:
        parts, self._parts = self._parts, []
        return b"".join(parts)
