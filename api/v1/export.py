"""One table, whole: of one trial, or of every trial one may see; streamed as it is read."""

from typing import Any

from django.http import HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.views import APIView

from api.v1 import filters
from api.v1.authentication import actor_of
from api.v1.records import LISTS
from api.v1.registration import trial_for
from api.v1.streams import MEDIA_TYPES, AsTheFileIs, one_of, stream
from api.v1.temperatures import READING_FILTERS
from registry.models import Trial
from registry.queries.export_rows import EXPORT_TABLES, export_rows, extract

FORMATS = tuple(MEDIA_TYPES)
FILTERS = {
    **{name: declared for name, (_, _, declared) in LISTS.items()},
    "temperatures": READING_FILTERS,
}
OWN_PARAMETERS = ("table", "format", "columns")
_DESCRIBED: dict[str, Any] = {
    "tags": ["releases"],
    "parameters": [
        OpenApiParameter("table", str, required=True, enum=list(EXPORT_TABLES)),
        OpenApiParameter("format", str, enum=FORMATS, description="csv when not given"),
        OpenApiParameter(
            "columns", str, description="names separated by commas, in the order wanted; else all"
        ),
    ],
    "description": (
        "Also takes the filters of the table's list. CSV is UTF-8 with dot decimals and ISO 8601 "
        "times; a text that a spreadsheet would run as a formula gets an apostrophe before it. "
        "Nothing is held back in memory, so a table of any size can be asked for."
    ),
    "responses": {
        (200, "text/csv"): OpenApiTypes.STR,
        (200, "application/x-ndjson"): OpenApiTypes.STR,
        (200, "application/vnd.apache.parquet"): OpenApiTypes.BINARY,
    },
}


class TrialExport(APIView):
    content_negotiation_class = AsTheFileIs

    @extend_schema(summary="Download one table of a trial", **_DESCRIBED)
    def get(self, request: Request, trial: str) -> HttpResponseBase:
        return _export(request, trial_for(request, trial))


class Export(APIView):
    content_negotiation_class = AsTheFileIs

    @extend_schema(summary="Download one table of every trial you may see", **_DESCRIBED)
    def get(self, request: Request) -> HttpResponseBase:
        return _export(request, None)


def _export(request: Request, trial: Trial | None) -> HttpResponseBase:
    table = one_of(request.query_params, "table", tuple(EXPORT_TABLES))
    form = one_of(request.query_params, "format", FORMATS, otherwise="csv")
    actor = actor_of(request)
    rows = export_rows(table, actor, trial)
    rows = filters.apply(rows, request, FILTERS[table], also=OWN_PARAMETERS)
    sent = request.query_params.get("columns")
    columns = None if sent is None else [name.strip() for name in sent.split(",")]
    name = table if trial is None else f"{trial.code}-{table}"
    return stream(extract(table, rows, actor, columns), form, name)
