"""What became of each bulk submission, with its faults row by row."""

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from django.http import HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.utils.http import content_disposition_header
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request

from api.v1.errors import fault_out
from api.v1.filters import Filter
from api.v1.listing import ListRows, OneRow, listed
from api.v1.streams import AsTheFileIs
from registry.columns import KIND_NAMES
from registry.models import ReviewState, Upload, UploadState
from registry.services import annotated

LINES_A_CHUNK = 1_000
SUFFIXES = {"text/csv": ".csv", "application/x-ndjson": ".ndjson", "application/json": ".json"}


class FaultOut(serializers.Serializer):
    row = serializers.IntegerField(allow_null=True, help_text="data row from 1 (line 2 of a CSV)")
    field = serializers.CharField()
    code = serializers.CharField(help_text="permanent")
    message = serializers.CharField()
    value = serializers.CharField(allow_null=True)


class ProblemOut(serializers.Serializer):
    """RFC 9457 problem details."""

    type = serializers.URLField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    code = serializers.CharField(help_text="permanent")
    field = serializers.CharField(required=False, help_text="what it is about, when one thing is")
    upload = serializers.IntegerField(
        required=False, help_text="id of the refused upload, whose faults can be read again"
    )
    rows = serializers.IntegerField(
        required=False, help_text="data rows of the refused file, where they could be counted"
    )
    error_total = serializers.IntegerField(required=False)
    # A serializer's own `errors` has the same name; on the outside it is the contract's word.
    errors = FaultOut(many=True, required=False)  # type: ignore[assignment]


class UploadOut(serializers.Serializer):
    id = serializers.IntegerField(allow_null=True, help_text="null for a dry run")
    kind = serializers.ChoiceField(choices=KIND_NAMES)
    state = serializers.ChoiceField(choices=UploadState.values)
    rows = serializers.IntegerField(help_text="data rows sent; 0 while they are not counted")
    created = serializers.IntegerField()
    unchanged = serializers.IntegerField()
    sha256 = serializers.CharField()
    file_name = serializers.CharField()
    site = serializers.CharField(source="site.code", default=None, allow_null=True)
    received_at = serializers.DateTimeField(allow_null=True)
    finished_at = serializers.DateTimeField(allow_null=True)
    error_total = serializers.IntegerField()
    review = serializers.ChoiceField(
        choices=ReviewState.values,
        help_text="of the quality rules over the stored rows: `waiting` until a worker has run "
        "them (large files), then `done` and the findings are flags; `none` where none apply",
    )


class UploadWithFaultsOut(UploadOut):
    errors = serializers.SerializerMethodField()  # type: ignore[assignment]

    def get_errors(self, upload: Upload) -> list[dict[str, Any]]:
        return [fault_out(fault) for fault in upload.faults.all()]


class _Uploads(ListRows):
    model = Upload
    related = ("site",)
    serializer_class = UploadOut
    filters = {
        "kind": Filter("kind", "choice", KIND_NAMES, "what was sent"),
        "state": Filter("state", "choice", tuple(UploadState.values), "what became of it"),
        "site": Filter("site__code", meaning="code of the site"),
        "sha256": Filter("sha256", meaning="of the body as sent"),
    }


Uploads = listed("List uploads", _Uploads, "uploads")


class OneUpload(OneRow):
    model = Upload
    related = ("site",)
    prefetched = ("faults",)
    serializer_class = UploadWithFaultsOut


def _chunks(lines: Iterator[str]) -> Iterator[str]:
    """Lines in pieces worth a write."""
    while piece := "".join(islice(lines, LINES_A_CHUNK)):
        yield piece


def _as_file(
    upload: Upload, content: bytes | Iterator[str], suffix: str, content_type: str
) -> HttpResponseBase:
    name = Path(upload.file_name or f"{upload.kind}-{upload.pk}").stem + suffix
    answer = HttpResponse if isinstance(content, bytes) else StreamingHttpResponse
    response = answer(content, content_type=content_type)
    response["Content-Disposition"] = content_disposition_header(True, name)
    return response


class AnnotatedUpload(OneRow):
    model = Upload
    content_negotiation_class = AsTheFileIs

    @extend_schema(
        tags=["uploads"],
        summary="The rows as sent, with their faults in two columns more",
        responses={(200, "text/csv"): OpenApiTypes.STR},
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        upload = self.get_object()
        lines = annotated.annotated(upload)
        return _as_file(upload, _chunks(lines), "-faults.csv", "text/csv; charset=utf-8")


class OriginalUpload(OneRow):
    model = Upload
    content_negotiation_class = AsTheFileIs

    @extend_schema(
        tags=["uploads"],
        summary="The body as it was sent",
        responses={(200, "*/*"): OpenApiTypes.BINARY},
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        upload = self.get_object()
        suffix = SUFFIXES.get(upload.content_type.partition(";")[0], "")
        return _as_file(upload, annotated.original(upload), suffix, upload.content_type)
