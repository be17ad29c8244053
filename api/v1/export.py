"""One table of a trial, whole: CSV streamed as it leaves the database, or Parquet."""

from django.http import FileResponse, HttpResponseBase, StreamingHttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.views import APIView

from api.v1.authentication import actor_of
from api.v1.registration import trial_for
from registry.errors import InvalidValue
from registry.queries.export_rows import EXPORT_TABLES, csv_chunks, export_rows, parquet_file

FORMATS = ("csv", "parquet")


class Export(APIView):
    # `format` names the file here, not one of the framework's renderers.
    format_kwarg = None

    @extend_schema(
        tags=["releases"],
        summary="Download one table of a trial",
        parameters=[
            OpenApiParameter("table", str, required=True, enum=list(EXPORT_TABLES)),
            OpenApiParameter("format", str, enum=FORMATS, description="csv when not given"),
        ],
        responses={
            (200, "text/csv"): OpenApiTypes.STR,
            (200, "application/vnd.apache.parquet"): OpenApiTypes.BINARY,
        },
    )
    def get(self, request: Request, trial: str) -> HttpResponseBase:
        table = _one_of(request, "table", tuple(EXPORT_TABLES))
        kind = _one_of(request, "format", FORMATS, otherwise="csv")
        found = trial_for(request, trial)
        header, rows = export_rows(found, table, actor_of(request))
        name = f"{found.code}-{table}.{kind}"
        if kind == "parquet":
            return FileResponse(
                parquet_file(table, header, rows),
                as_attachment=True,
                filename=name,
                content_type="application/vnd.apache.parquet",
            )
        return StreamingHttpResponse(
            csv_chunks(header, rows),
            content_type="text/csv; charset=utf-8",
            headers={"Content-Disposition": f'attachment; filename="{name}"'},
        )


def _one_of(request: Request, name: str, allowed: tuple[str, ...], otherwise: str = "") -> str:
    sent = request.query_params.get(name, otherwise)
    if sent not in allowed:
        raise InvalidValue(f"{name} is one of: {', '.join(allowed)}.", field=name)
    return sent
