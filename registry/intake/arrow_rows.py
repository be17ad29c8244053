"""Arrow tables out of Postgres, and into it by COPY."""

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pyarrow as pa
import pyarrow.csv as arrow_csv
from django.core.exceptions import EmptyResultSet
from django.db import connection
from django.db.models import Model, QuerySet
from psycopg import sql

# Rows written to the server at a time.
PIECE_ROWS = 5_000
# Arrow parses blocks of this size at once; a row must fit into one.
BLOCK_BYTES = 4 * 1024 * 1024
MANY_VALUES = 1000


def fetch(query: QuerySet[Any, tuple[Any, ...]], types: Mapping[str, pa.DataType]) -> pa.Table:
    """Rows of a `values_list` query as a table; `types` names its columns in order."""
    try:
        text, parameters = query.query.sql_with_params()
    except EmptyResultSet:
        return _empty(types)
    return _table(sql.SQL(text), parameters, types)


def fetch_where(
    model: type[Model],
    types: Mapping[str, pa.DataType],
    where: Mapping[str, Sequence[Any]],
) -> pa.Table:
    """Columns of a model's rows whose `where` columns hold one of the given values each."""
    if not all(where.values()):
        return _empty(types)
    if not _may_hold(model, where):
        return _empty(types)
    query = sql.SQL("SELECT {} FROM {} WHERE {}").format(
        sql.SQL(", ").join(map(sql.Identifier, types)),
        sql.Identifier(model._meta.db_table),
        sql.SQL(" AND ").join(
            sql.SQL("{} = ANY(%s)").format(sql.Identifier(name)) for name in where
        ),
    )
    return _table(query, [list(values) for values in where.values()], types)


def insert(model: type[Model], columns: Mapping[str, pa.Array]) -> None:
    """COPY the columns into the model's table. Text columns must hold "" instead of NULL."""
    table = pa.table(dict(columns))
    query = sql.SQL("COPY {} ({}) FROM STDIN (FORMAT csv)").format(
        sql.Identifier(model._meta.db_table),
        sql.SQL(", ").join(map(sql.Identifier, table.column_names)),
    )
    batches = table.to_batches(max_chunksize=PIECE_ROWS)
    # A thread writes the text of the pieces to come while the server takes one.
    with ThreadPoolExecutor(max_workers=1) as writer:
        pieces = writer.map(_csv_bytes, batches)
        with connection.cursor() as cursor, cursor.copy(query) as copy:
            for piece in pieces:
                copy.write(piece)


def _csv_bytes(batch: pa.RecordBatch) -> memoryview:
    # Arrow quotes every text and no NULL, which is how COPY tells "" from NULL.
    sink = pa.BufferOutputStream()
    arrow_csv.write_csv(batch, sink, arrow_csv.WriteOptions(include_header=False))
    return memoryview(sink.getvalue())


def _may_hold(model: type[Model], where: Mapping[str, Sequence[Any]]) -> bool:
    """False when the table holds nothing between the least and the greatest of many values.

    Files of new records are the common case; one look into an index spares them a long search.
    """
    for name, values in where.items():
        if len(values) > MANY_VALUES and isinstance(values[0], int):
            between = {f"{name}__gte": min(values), f"{name}__lte": max(values)}
            return model._default_manager.filter(**between).order_by().exists()
    return True


def _table(
    query: sql.Composable, parameters: Sequence[Any], types: Mapping[str, pa.DataType]
) -> pa.Table:
    """The rows as one CSV text, put together by Postgres: row by row COPY takes twice as long."""
    statement = sql.SQL("SELECT string_agg(concat({}), E'\\n') FROM ({}) AS found ({})").format(
        sql.SQL(", ',', ").join(_cell(name, kind) for name, kind in types.items()),
        query,
        sql.SQL(", ").join(map(sql.Identifier, types)),
    )
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters)
        content = cursor.fetchone()[0]
    return _empty(types) if content is None else _parsed(content, types)


def _cell(name: str, kind: pa.DataType) -> sql.Composable:
    if not pa.types.is_string(kind):
        return sql.Identifier(name)
    # Every text is quoted and NULL is not, which tells "" from NULL.
    return sql.SQL("""'"' || replace({}, '"', '""') || '"'""").format(sql.Identifier(name))


def _parsed(content: str, types: Mapping[str, pa.DataType]) -> pa.Table:
    return arrow_csv.read_csv(
        pa.py_buffer(content.encode()),
        arrow_csv.ReadOptions(column_names=list(types), block_size=BLOCK_BYTES),
        arrow_csv.ParseOptions(newlines_in_values=True),
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
