"""Rows of a table as a file that is sent while it is read: CSV, NDJSON or Parquet."""

from collections.abc import Iterable, Mapping
from typing import Any

from django.http import StreamingHttpResponse
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.parsers import BaseParser
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request

from registry.errors import InvalidValue
from registry.queries.export_rows import Extract
from registry.queries.export_streams import STREAMS

MEDIA_TYPES = {
    "csv": "text/csv; charset=utf-8; header=present",
    "ndjson": "application/x-ndjson",
    "parquet": "application/vnd.apache.parquet",
}


class CsvWanted(JSONRenderer):
    """Lets `Accept: text/csv` through to a view that streams; a problem is still told as JSON."""

    media_type = "text/csv"
    format = "csv"


class NdjsonWanted(JSONRenderer):
    media_type = "application/x-ndjson"
    format = "ndjson"


class AsTheFileIs(BaseContentNegotiation):
    """For an address that has one file to give: whatever is asked for, the file is what it is."""

    def select_parser(self, request: Request, parsers: Iterable[BaseParser]) -> BaseParser | None:
        return next(iter(parsers), None)

    def select_renderer(
        self,
        request: Request,
        renderers: Iterable[BaseRenderer],
        format_suffix: str | None = None,
    ) -> tuple[BaseRenderer, str]:
        first = next(iter(renderers))
        return first, str(first.media_type)


RENDERERS = (JSONRenderer, CsvWanted, NdjsonWanted)


def wanted(request: Request) -> str:
    """`json`, `csv` or `ndjson`, by the Accept header."""
    return str(getattr(request.accepted_renderer, "format", "json"))


def stream(rows: Extract, form: str, name: str) -> StreamingHttpResponse:
    """Answer with `rows` under a file name; `form` is a key of `STREAMS`."""
    return streamed(STREAMS[form](rows), form, name)


def streamed(chunks: Any, form: str, name: str) -> StreamingHttpResponse:
    return StreamingHttpResponse(
        chunks,
        content_type=MEDIA_TYPES[form],
        headers={
            "Content-Disposition": f'attachment; filename="{name}.{form}"',
            "X-Content-Type-Options": "nosniff",
            "Vary": "Accept, Authorization, Cookie",
        },
    )


def one_of(
    values: Mapping[str, str], name: str, allowed: tuple[str, ...], otherwise: str = ""
) -> str:
    sent = values.get(name, otherwise)
    if sent not in allowed:
        raise InvalidValue(f"{name} is one of: {', '.join(allowed)}.", field=name)
    return sent
