"""A declared table as CSV and as Parquet, and back, without losing a bit of a number.

CSV: UTF-8, comma, dot decimal, ISO 8601, blank where missing; numbers are written with as many
digits as bring back the same double. The same rows always give the same bytes.
"""

import io
from collections.abc import Callable

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from registry.columns import Column, Kind
from registry.csv_text import FORMULA_STARTS
from registry.packages.errors import PackageFault
from registry.packages.shapes import ExportTable

TYPES: dict[Kind, pa.DataType] = {
    Kind.CODE: pa.string(),
    Kind.TEXT: pa.string(),
    Kind.CHOICE: pa.string(),
    Kind.NUMBER: pa.float64(),
    Kind.INTEGER: pa.int64(),
    Kind.DATE: pa.date32(),
    Kind.DATETIME: pa.timestamp("s", tz="UTC"),
    Kind.YES_NO: pa.bool_(),
}
STARTS = "[" + "".join(f"\\x{{{ord(letter):x}}}" for letter in FORMULA_STARTS) + "]"
ISO_8601_UTC = "%Y-%m-%dT%H:%M:%SZ"
WRITE = pacsv.WriteOptions(include_header=False, quoting_style="needed")
PARSE = pacsv.ParseOptions(newlines_in_values=True)


def typed(table: ExportTable, frame: pd.DataFrame) -> pa.Table:
    """Rows of `frame` under the declared columns and types, in the order of the key.

    Raises PackageFault when columns are missing or undeclared, a value does not fit its type, a
    required value is missing, or two rows share a key.
    """
    names = set(frame.columns)
    if names != set(table.column_names):
        wrong = ", ".join(sorted(names ^ set(table.column_names)))
        raise PackageFault(f"Table {table.name} has undeclared or missing columns: {wrong}.")
    columns = [_typed_column(table, column, frame[column.name]) for column in table.columns]
    result = pa.Table.from_arrays(columns, schema=schema_of(table))
    check_rows(table, result)
    return result.sort_by([(name, "ascending") for name in table.key])


def schema_of(table: ExportTable) -> pa.Schema:
    return pa.schema(
        [
            pa.field(column.name, TYPES[column.kind], nullable=not column.required)
            for column in table.columns
        ]
    )


def check_rows(table: ExportTable, rows: pa.Table) -> None:
    """Refuse missing required values and repeated keys."""
    for column in table.columns:
        if column.required and rows[column.name].null_count:
            raise PackageFault(f"Table {table.name} lacks values of {column.name}.")
    distinct = rows.select(list(table.key)).group_by(list(table.key)).aggregate([])
    if distinct.num_rows != rows.num_rows:
        raise PackageFault(f"Table {table.name} has two rows with the same {', '.join(table.key)}.")


def to_csv(table: ExportTable, rows: pa.Table) -> bytes:
    """Text that a spreadsheet would run as a formula gets an apostrophe; see `csv_text`."""
    buffer = io.BytesIO()
    buffer.write((",".join(rows.column_names) + "\n").encode())
    pacsv.write_csv(_moments_as_text(_each_text(table, rows, _guarded)), buffer, WRITE)
    return buffer.getvalue()


def to_parquet(rows: pa.Table) -> bytes:
    buffer = io.BytesIO()
    pq.write_table(rows, buffer, compression="zstd", version="2.6")
    return buffer.getvalue()


def from_csv(table: ExportTable, content: bytes) -> pa.Table:
    """Read a table's CSV strictly by its declaration; raises PackageFault."""
    convert = pacsv.ConvertOptions(
        column_types=schema_of(table),
        null_values=[""],
        strings_can_be_null=True,
        quoted_strings_can_be_null=True,
        true_values=["true"],
        false_values=["false"],
    )
    try:
        rows = pacsv.read_csv(io.BytesIO(content), parse_options=PARSE, convert_options=convert)
    except pa.ArrowInvalid as error:
        raise PackageFault(f"The CSV of table {table.name} cannot be read: {error}") from error
    return _each_text(table, _as_declared(table, rows), _unguarded)


def from_parquet(table: ExportTable, content: bytes) -> pa.Table:
    """Read a table's Parquet strictly by its declaration; raises PackageFault."""
    try:
        rows = pq.read_table(io.BytesIO(content))
    except (pa.ArrowInvalid, OSError) as error:
        raise PackageFault(f"The Parquet of table {table.name} cannot be read: {error}") from error
    return _as_declared(table, rows)


def parquet_frame(content: bytes) -> pd.DataFrame:
    """A frame of a Parquet file as it is, of whatever layout; raises ArrowInvalid."""
    rows = pq.read_table(io.BytesIO(content))
    return rows.to_pandas(integer_object_nulls=True, date_as_object=True)


def _each_text(
    table: ExportTable, rows: pa.Table, change: Callable[[pa.ChunkedArray], pa.ChunkedArray]
) -> pa.Table:
    for position, column in enumerate(table.columns):
        if column.kind is Kind.TEXT:
            rows = rows.set_column(position, rows.schema.field(position), change(rows[position]))
    return rows


def _guarded(texts: pa.ChunkedArray) -> pa.ChunkedArray:
    risky = pc.match_substring_regex(texts, f"^'*{STARTS}")
    return pc.if_else(risky, pc.binary_join_element_wise("'", texts, ""), texts)


def _unguarded(cells: pa.ChunkedArray) -> pa.ChunkedArray:
    guarded = pc.match_substring_regex(cells, f"^'+{STARTS}")
    return pc.if_else(guarded, pc.utf8_slice_codeunits(cells, 1), cells)


def _typed_column(table: ExportTable, column: Column, values: pd.Series) -> pa.Array:
    if TYPES[column.kind] == pa.string():
        # A blank cell and no cell are the same thing in a CSV, so they are the same thing here.
        values = values.astype(object).where(values.notna() & (values != ""), None)
    elif column.kind is Kind.DATETIME:
        values = pd.to_datetime(values, utc=True).dt.floor("s")
    elif column.kind is Kind.INTEGER:
        values = values.astype("Int64")
    try:
        return pa.array(values, type=TYPES[column.kind], from_pandas=True)
    except (pa.ArrowInvalid, pa.ArrowTypeError) as error:
        raise PackageFault(f"{table.name}.{column.name} does not fit its type: {error}") from error


def _moments_as_text(rows: pa.Table) -> pa.Table:
    for position, field in enumerate(rows.schema):
        if pa.types.is_timestamp(field.type):
            text = pc.strftime(rows[field.name], format=ISO_8601_UTC)
            rows = rows.set_column(position, field.name, text)
    return rows


def _as_declared(table: ExportTable, rows: pa.Table) -> pa.Table:
    if tuple(rows.column_names) != table.column_names:
        raise PackageFault(
            f"Table {table.name} has the columns {', '.join(rows.column_names)}; "
            f"declared are {', '.join(table.column_names)}."
        )
    try:
        rows = rows.replace_schema_metadata(None).cast(schema_of(table))
    except (pa.ArrowInvalid, ValueError) as error:
        raise PackageFault(f"Table {table.name} is not as declared: {error}") from error
    check_rows(table, rows)
    return rows
