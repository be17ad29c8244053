"""Arrow tables out of Postgres and into it, by COPY."""

from collections.abc import Mapping, Sequence
from typing import Any

import pyarrow as pa
import pyarrow.csv as arrow_csv
from django.core.exceptions import EmptyResultSet
from django.db import connection
from django.db.models import Model, QuerySet
from psycopg import sql

# psycopg hands the bytes on in pieces of about this size.
PIECE_BYTES = 1024 * 1024


def fetch(query: QuerySet[Any, tuple[Any, ...]], types: Mapping[str, pa.DataType]) -> pa.Table:
    """Rows of a `values_list` query as a table; `types` names its columns in order."""
    try:
        text, parameters = query.query.sql_with_params()
    except EmptyResultSet:
        return _empty(types)
    return _copy_out(sql.SQL(text), parameters, types)


def fetch_where(
    model: type[Model],
    types: Mapping[str, pa.DataType],
    where: Mapping[str, Sequence[Any]],
) -> pa.Table:
    """Columns of a model's rows whose `where` columns hold one of the given values each."""
    if not all(where.values()):
        return _empty(types)
    query = sql.SQL("SELECT {} FROM {} WHERE {}").format(
        sql.SQL(", ").join(map(sql.Identifier, types)),
        sql.Identifier(model._meta.db_table),
        sql.SQL(" AND ").join(
            sql.SQL("{} = ANY(%s)").format(sql.Identifier(name)) for name in where
        ),
    )
    return _copy_out(query, [list(values) for values in where.values()], types)


def insert(model: type[Model], columns: Mapping[str, pa.Array]) -> None:
    """COPY the columns into the model's table. Text columns must hold "" instead of NULL."""
    table = pa.table(dict(columns))
    query = sql.SQL("COPY {} ({}) FROM STDIN (FORMAT csv)").format(
        sql.Identifier(model._meta.db_table),
        sql.SQL(", ").join(map(sql.Identifier, table.column_names)),
    )
    with connection.cursor() as cursor, cursor.copy(query) as copy:
        for batch in table.to_batches(max_chunksize=20_000):
            copy.write(_csv_bytes(batch))


def _csv_bytes(batch: pa.RecordBatch) -> memoryview:
    # Arrow quotes every text and no NULL, which is how COPY tells "" from NULL.
    sink = pa.BufferOutputStream()
    arrow_csv.write_csv(batch, sink, arrow_csv.WriteOptions(include_header=False))
    return memoryview(sink.getvalue())


def _copy_out(
    query: sql.Composable, parameters: Sequence[Any], types: Mapping[str, pa.DataType]
) -> pa.Table:
    statement = sql.SQL("COPY ({}) TO STDOUT (FORMAT csv)").format(query)
    with connection.cursor() as cursor, cursor.copy(statement, parameters) as copy:
        content = b"".join(copy)
    if not content:
        return _empty(types)
    return arrow_csv.read_csv(
        pa.py_buffer(content),
        arrow_csv.ReadOptions(column_names=list(types)),
        arrow_csv.ParseOptions(newlines_in_values=b'"' in content),
        arrow_csv.ConvertOptions(
            column_types=dict(types),
            null_values=[""],
            true_values=["t"],
            false_values=["f"],
            strings_can_be_null=True,
            quoted_strings_can_be_null=False,
            check_utf8=False,
        ),
    ).combine_chunks()


def _empty(types: Mapping[str, pa.DataType]) -> pa.Table:
    return pa.table({name: pa.array([], kind) for name, kind in types.items()})
