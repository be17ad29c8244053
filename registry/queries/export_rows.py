"""One table of a trial as a stream: COPY out of Postgres, so memory does not grow with the rows.

Columns are the uploaded ones, then what a reader needs to use the row alone: its site, pile and
material, elapsed days, and whether a coordinator excluded it.
"""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO, Any

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
from django.db import connection
from django.db.models import Exists, ExpressionWrapper, F, IntegerField, Model, OuterRef, QuerySet

from registry.columns import UPLOAD_KINDS, Kind
from registry.models import (
    Bag,
    Composition,
    Feedstock,
    Flag,
    Material,
    Pile,
    Retrieval,
    Trial,
    Turning,
)
from registry.permissions import Actor, visible_to


@dataclass(frozen=True, slots=True)
class ExportTable:
    """How a kind's rows are found from a trial; `paths` name the columns that live elsewhere."""

    model: type[Model]
    trial: str
    paths: dict[str, str]
    more: tuple[tuple[str, str], ...] = ()


_PILE = {"site": "pile__site__code", "pile": "pile__code"}

EXPORT_TABLES: dict[str, ExportTable] = {
    "materials": ExportTable(Material, "trials", {"material": "code"}),
    "compositions": ExportTable(Composition, "material__trials", {"material": "material__code"}),
    "piles": ExportTable(
        Pile, "trial", {"site": "site__code", "pile": "code", "trial": "trial__code"}
    ),
    "feedstocks": ExportTable(Feedstock, "pile__trial", _PILE),
    "turnings": ExportTable(Turning, "pile__trial", _PILE),
    "bags": ExportTable(
        Bag,
        "trial",
        {
            **_PILE,
            "trial": "trial__code",
            "bag_label": "label",
            "material": "material__code",
        },
    ),
    "retrievals": ExportTable(
        Retrieval,
        "bag__trial",
        {"trial": "bag__trial__code", "bag_label": "bag__label"},
        (
            ("site", "bag__pile__site__code"),
            ("pile", "bag__pile__code"),
            ("material", "bag__material__code"),
            ("days", "days"),
            ("excluded", "excluded"),
            ("revision", "revision"),
        ),
    ),
}


def export_rows(trial: Trial, table: str, by: Actor) -> tuple[list[str], QuerySet[Any]]:
    """Header and rows of one table, in a fixed order, for what the actor may see."""
    declared = EXPORT_TABLES[table]
    kind = UPLOAD_KINDS[table]
    rows = visible_to(by, declared.model).filter(**{declared.trial: trial}).order_by("pk")
    if table == "retrievals":
        rows = rows.annotate(
            days=ExpressionWrapper(
                F("retrieved_on") - F("bag__buried_on"), output_field=IntegerField()
            ),
            excluded=Exists(Flag.objects.filter(retrieval=OuterRef("pk"), decision="exclude")),
        )
    paths = [declared.paths.get(name, name) for name in kind.column_names]
    header = [*kind.column_names, *(name for name, _ in declared.more)]
    return header, rows.values_list(*paths, *(path for _, path in declared.more))


def csv_chunks(header: list[str], rows: QuerySet[Any]) -> Iterator[bytes]:
    """The header line, then the rows as Postgres writes them: UTF-8, dot decimal, ISO dates."""
    yield (",".join(header) + "\r\n").encode()
    sql, values = rows.query.sql_with_params()
    with (
        connection.cursor() as cursor,
        cursor.copy(f"COPY ({sql}) TO STDOUT WITH (FORMAT csv)", values) as copy,
    ):
        for chunk in copy:
            yield bytes(chunk)


def parquet_file(table: str, header: list[str], rows: QuerySet[Any]) -> IO[bytes]:
    """The same rows as Parquet, in a temporary file at its start; a block of rows at a time."""
    with tempfile.TemporaryFile() as text:
        for chunk in csv_chunks(header, rows):
            text.write(chunk)
        text.seek(0)
        options = pa.csv.ConvertOptions(
            column_types=_types(table, header),
            strings_can_be_null=True,
            true_values=["t"],
            false_values=["f"],
        )
        target = tempfile.TemporaryFile()  # noqa: SIM115 – the response closes it
        with (
            pa.csv.open_csv(text, convert_options=options) as reader,
            pa.parquet.ParquetWriter(target, reader.schema) as writer,
        ):
            for batch in reader:
                writer.write_batch(batch)
    target.seek(0)
    return target


_ARROW = {
    Kind.NUMBER: pa.float64(),
    Kind.INTEGER: pa.int64(),
    Kind.DATE: pa.date32(),
    Kind.YES_NO: pa.bool_(),
}
_MORE = {"days": pa.int64(), "excluded": pa.bool_(), "revision": pa.int64()}


def _types(table: str, header: list[str]) -> dict[str, pa.DataType]:
    declared = {
        column.name: _ARROW.get(column.kind, pa.string()) for column in UPLOAD_KINDS[table].columns
    }
    return {name: declared.get(name) or _MORE.get(name, pa.string()) for name in header}
