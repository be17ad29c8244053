"""Frozen data with their estimates: list, freeze, warn of a flaw, and download the package."""

from typing import Any

from django.db.models import Max, QuerySet
from django.http import HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.generics import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.v1.authentication import known_actor
from api.v1.filters import Filter
from api.v1.listing import ListRows, VisibleRows, listed
from api.v1.registration import trial_for
from api.v1.stored_file import stored_file
from api.v1.streams import AsTheFileIs
from registry.models import Release
from registry.packages.links import api_url, link_header, page_url, release_links
from registry.packages.stored import DOCUMENTS, document, whole_package
from registry.services.releases import freeze_release, post_notice


class ReleaseIn(serializers.Serializer):
    notes = serializers.CharField(max_length=2000, required=False, allow_blank=True, default="")


class NoticeIn(serializers.Serializer):
    message = serializers.CharField(max_length=1000)


class NoticeOut(serializers.Serializer):
    message = serializers.CharField()
    posted_at = serializers.DateTimeField()


class ReleaseOut(serializers.Serializer):
    id = serializers.IntegerField()
    trial = serializers.CharField(source="trial.code")
    version = serializers.IntegerField()
    run = serializers.IntegerField(source="run_id")
    licence = serializers.CharField()
    notes = serializers.CharField()
    n_rows = serializers.IntegerField()
    package_sha256 = serializers.CharField()
    package_bytes = serializers.IntegerField()
    created_at = serializers.DateTimeField()
    page_url = serializers.SerializerMethodField(help_text="what a citation names")
    package_url = serializers.SerializerMethodField()
    superseded_by = serializers.SerializerMethodField(
        help_text="newest version of the trial, null when it is this one"
    )
    notices = NoticeOut(many=True, help_text="flaws found since; read them before use")

    def get_page_url(self, release: Release) -> str:
        return page_url(release)

    def get_package_url(self, release: Release) -> str:
        return api_url(release, "package")

    def get_superseded_by(self, release: Release) -> int | None:
        newest = getattr(release, "newest", None)
        return newest if newest is not None and newest > release.version else None


class ReleaseRows(VisibleRows):
    """Releases that exist for the caller, each with the newest version of its trial."""

    model = Release
    related = ("trial",)
    prefetched = ("notices",)
    serializer_class = ReleaseOut

    def get_queryset(self) -> QuerySet[Any]:
        # An embargo is a trial's, so whoever sees one version sees them all.
        return super().get_queryset().annotate(newest=Max("trial__releases__version"))


class _Releases(ReleaseRows, ListRows):
    filters = {"trial": Filter("trial__code", meaning="code of the trial")}


Releases = listed("List releases", _Releases, "releases")


class NamedRelease(ReleaseRows):
    """One release, by its id or by its trial and version."""

    def get_object(self) -> Release:
        names = self.kwargs
        wanted = (
            {"pk": names["pk"]}
            if "pk" in names
            else {"trial__code": names["trial"], "version": names["version"]}
        )
        found: Release = get_object_or_404(self.get_queryset(), **wanted)
        return found


@extend_schema(tags=["releases"], summary="One release")
class OneRelease(NamedRelease):
    def get(self, request: Request, **names: Any) -> Response:
        release = self.get_object()
        links = {"Link": link_header(release_links(release))}
        return Response(self.get_serializer(release).data, headers=links)


class FreezeRelease(APIView):
    @extend_schema(
        tags=["releases"],
        summary="Freeze the pooled data as the next version",
        request=ReleaseIn,
        responses={201: ReleaseOut},
    )
    def post(self, request: Request, trial: str) -> Response:
        actor = known_actor(request)
        body = ReleaseIn(data=request.data)
        body.is_valid(raise_exception=True)
        release = freeze_release(trial=trial_for(request, trial), by=actor, **body.validated_data)
        location = {"Location": f"/api/v1/releases/{release.pk}/"}
        return Response(ReleaseOut(release).data, status=201, headers=location)


@extend_schema(
    tags=["releases"],
    summary="Warn of a flaw of a release; it stays as it is",
    request=NoticeIn,
    responses={201: NoticeOut},
)
class ReleaseNotices(NamedRelease):
    def post(self, request: Request, **names: Any) -> Response:
        actor = known_actor(request)
        body = NoticeIn(data=request.data)
        body.is_valid(raise_exception=True)
        notice = post_notice(release=self.get_object(), by=actor, **body.validated_data)
        return Response(NoticeOut(notice).data, status=201)


@extend_schema(
    tags=["releases"],
    summary="Download the data package, or the rest of it",
    parameters=[OpenApiParameter("Range", str, OpenApiParameter.HEADER)],
    responses={
        (200, "application/zip"): OpenApiTypes.BINARY,
        (206, "application/zip"): OpenApiTypes.BINARY,
    },
)
class Package(NamedRelease):
    content_negotiation_class = AsTheFileIs

    def get(self, request: Request, **names: Any) -> HttpResponseBase:
        release = self.get_object()
        answer = stored_file(
            request,
            whole_package(release),
            media_type="application/zip",
            sha256=release.package_sha256,
        )
        answer["Link"] = link_header(release_links(release))
        return answer


@extend_schema(
    tags=["releases"],
    summary="One document of the data package, as it was frozen",
    parameters=[OpenApiParameter("word", str, OpenApiParameter.PATH, enum=list(DOCUMENTS))],
    responses={200: OpenApiTypes.OBJECT},
)
class PackageDocument(NamedRelease):
    def get(self, request: Request, word: str, **names: Any) -> Response:
        release = self.get_object()
        links = {"Link": link_header(release_links(release))}
        return Response(document(release, word), headers=links)


class _Records(ReleaseRows):
    """DataCite records of all releases, for harvesters."""

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(self.get_queryset()) or []
        return self.get_paginated_response([document(release, "datacite") for release in page])


DataciteRecords = extend_schema(
    tags=["releases"],
    summary="DataCite records of all releases",
    responses={200: {"type": "object", "additionalProperties": True}},
)(_Records)
