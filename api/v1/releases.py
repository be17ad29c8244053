"""Frozen data with their estimates, the package to download, and the ratings read from them."""

from pathlib import Path

from django.conf import settings
from django.http import FileResponse, HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.v1.authentication import known_actor
from api.v1.filters import Filter
from api.v1.listing import ListRows, OneRow, listed
from api.v1.registration import trial_for
from registry.models import Rating, Release
from registry.models.pooled_estimate import HEAT_CLASSES
from registry.models.release import BANDS, CONFIDENCES
from registry.services.releases import freeze_release


class ReleaseIn(serializers.Serializer):
    notes = serializers.CharField(max_length=2000, required=False, allow_blank=True, default="")


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


class RatingOut(serializers.Serializer):
    id = serializers.IntegerField()
    trial = serializers.CharField(source="release.trial.code")
    release = serializers.IntegerField(source="release_id")
    version = serializers.IntegerField(source="release.version")
    material = serializers.CharField(source="material.code")
    material_name = serializers.CharField(source="material.name")
    heat_class = serializers.CharField()
    band = serializers.ChoiceField(choices=BANDS)
    confidence = serializers.ChoiceField(choices=CONFIDENCES)
    sentence = serializers.CharField()
    chance_84 = serializers.FloatField(allow_null=True, help_text="of 90 % gone by day 84")
    chance_180 = serializers.FloatField(allow_null=True, help_text="of 90 % gone by day 180")
    typical_days = serializers.FloatField(allow_null=True, help_text="days until 90 % is gone")
    typical_days_low = serializers.FloatField(allow_null=True)
    typical_days_high = serializers.FloatField(allow_null=True)
    n_sites = serializers.IntegerField()
    n_piles = serializers.IntegerField()
    n_bags = serializers.IntegerField()


class _Releases(ListRows):
    model = Release
    related = ("trial",)
    serializer_class = ReleaseOut
    filters = {"trial": Filter("trial__code", meaning="code of the trial")}


Releases = listed("List releases", _Releases, "releases")


class OneRelease(OneRow):
    model = Release
    related = ("trial",)
    serializer_class = ReleaseOut


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
    summary="Download the data package",
    responses={(200, "application/zip"): OpenApiTypes.BINARY},
)
class Package(OneRow):
    model = Release
    related = ("trial",)

    def get(self, request: Request, pk: int) -> HttpResponseBase:
        release = self.get_object()
        path = Path(settings.RELEASES_DIR) / release.package_name
        response = FileResponse(path.open("rb"), as_attachment=True, filename=path.name)
        response["ETag"] = f'"{release.package_sha256}"'
        response["Content-Type"] = "application/zip"
        return response


class _Ratings(ListRows):
    """Public; needs no token."""

    model = Rating
    related = ("release__trial", "material")
    serializer_class = RatingOut
    filters = {
        "trial": Filter("release__trial__code", meaning="code of the trial"),
        "release": Filter("release_id", "integer", meaning="id of the release"),
        "material": Filter("material__code", meaning="code of the material"),
        "heat_class": Filter("heat_class", "choice", HEAT_CLASSES, "heat of the piles"),
        "band": Filter("band", "choice", BANDS, "what is usually left"),
    }


Ratings = listed("List ratings", _Ratings, "releases")
