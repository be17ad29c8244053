"""A list as CSV or NDJSON: every row that matches, in the list's order, a few hundred at a time."""

import csv
import io
import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from django.db.models import QuerySet
from django.http import StreamingHttpResponse
from rest_framework.request import Request
from rest_framework.serializers import Serializer
from rest_framework.utils.encoders import JSONEncoder

from api.v1.pagination import ByCursor
from api.v1.streams import streamed
from registry.csv_text import guarded
from registry.errors import InvalidValue

ROWS_AT_A_TIME = 500
PAGING = ("page_size", ByCursor.cursor_query_param)


def list_file(
    rows: QuerySet[Any],
    serializer: type[Serializer],
    form: str,
    name: str,
    *,
    order: str = "pk",
    records: Callable[[list[Any]], list[Any]] = list,
) -> StreamingHttpResponse:
    """Stream `rows` as the serializer shows them; what is itself a list stands there as JSON.

    `order` is that of the pages; `records` turns a block of rows into what the serializer reads.
    """
    shown = _shown(rows.order_by(order), serializer, records)
    chunks = _csv(shown, list(serializer().fields)) if form == "csv" else _ndjson(shown)
    return streamed(chunks, form, name)


def refuse_paging(request: Request) -> None:
    """A file has no pages: say so, rather than send more than was asked for."""
    for name in PAGING:
        if name in request.query_params:
            raise InvalidValue(
                f"CSV and NDJSON hold every row that matches; {name} goes with JSON.", field=name
            )


def _shown(
    rows: QuerySet[Any], serializer: type[Serializer], records: Callable[[list[Any]], list[Any]]
) -> Iterator[list[Mapping[str, Any]]]:
    found = rows.iterator(chunk_size=ROWS_AT_A_TIME)
    block: list[Any] = []
    for row in found:
        block.append(row)
        if len(block) == ROWS_AT_A_TIME:
            yield list(serializer(records(block), many=True).data)
            block = []
    if block:
        yield list(serializer(records(block), many=True).data)


def _csv(blocks: Iterator[list[Mapping[str, Any]]], names: list[str]) -> Iterator[bytes]:
    yield (",".join(names) + "\n").encode()
    for block in blocks:
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerows([[_cell(row[name]) for name in names] for row in block])
        yield text.getvalue().encode()


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return value
    if isinstance(value, str):
        return guarded(value)
    return json.dumps(value, cls=JSONEncoder, ensure_ascii=False)


def _ndjson(blocks: Iterator[list[Mapping[str, Any]]]) -> Iterator[bytes]:
    for block in blocks:
        lines = [json.dumps(row, cls=JSONEncoder, ensure_ascii=False) for row in block]
        yield ("\n".join(lines) + "\n").encode()
