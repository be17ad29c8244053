"""Printed reports: of a release for anyone who may see it, of a run for its coordinators."""

from typing import Any

from django.http import HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.v1.authentication import known_actor
from api.v1.listing import VisibleRows
from api.v1.releases import NamedRelease
from api.v1.stored_file import stored_file
from api.v1.streams import AsTheFileIs
from registry.jobs import reports
from registry.models import PoolingRun
from registry.packages.archive import sha256_of
from registry.services.reports import ReportFile

RETRY_AFTER_S = 3


class BeingMade(serializers.Serializer):
    state = serializers.ChoiceField(choices=["being_made"])


PDF = {(200, "application/pdf"): OpenApiTypes.BINARY, 202: BeingMade}


class ReleaseReport(NamedRelease):
    content_negotiation_class = AsTheFileIs

    @extend_schema(
        tags=["paper"], summary="Printed report of a release (PDF); 202 until made", responses=PDF
    )
    def get(self, request: Request, **names: Any) -> HttpResponseBase:
        return _answer(request, reports.release_report(self.get_object()))


class RunReport(VisibleRows):
    model = PoolingRun
    related = ("trial",)
    serializer_class = BeingMade
    content_negotiation_class = AsTheFileIs

    @extend_schema(
        tags=["paper"],
        summary="Printed report of a finished run (PDF); 202 until made",
        responses=PDF,
    )
    def get(self, request: Request, **names: Any) -> HttpResponseBase:
        report = reports.run_report(self.get_object(), by=known_actor(request))
        answer = _answer(request, report)
        answer["Cache-Control"] = "private, no-store"
        return answer


def _answer(request: Request, report: ReportFile) -> HttpResponseBase:
    if not report.is_made():
        told = {"Retry-After": str(RETRY_AFTER_S)}
        return Response({"state": "being_made"}, status=202, headers=told)
    sha256 = sha256_of(report.path)
    return stored_file(request, report.path, media_type="application/pdf", sha256=sha256)
