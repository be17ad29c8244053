"""Studies run elsewhere: read by anyone, registered and withdrawn by coordinators."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.v1.authentication import known_actor
from api.v1.filters import Filter
from api.v1.listing import ListRows, OneRow, listed
from api.v1.registration import code
from registry.models import OUTSIDE_MEASURES, OutsideStudy
from registry.services.outside_studies import (
    MOST_EFFECTS,
    register_outside_study,
    withdraw_outside_study,
)


class EffectIn(serializers.Serializer):
    material = code(help_text="code of the material it is about")
    site = serializers.CharField(max_length=100, help_text="the study's own name of the place")
    country = serializers.RegexField(
        "^[A-Z]{2}$", required=False, allow_blank=True, help_text="ISO 3166 alpha-2"
    )
    measure = serializers.ChoiceField(choices=OUTSIDE_MEASURES)
    effect = serializers.FloatField(
        min_value=-20, max_value=20, help_text="natural logarithm, of a rate per day or of days"
    )
    variance = serializers.FloatField(max_value=100, help_text="sampling variance of the effect")
    n_piles = serializers.IntegerField(
        min_value=1, max_value=1_000_000, required=False, allow_null=True
    )
    n_bags = serializers.IntegerField(
        min_value=1, max_value=1_000_000, required=False, allow_null=True
    )


class StudyIn(serializers.Serializer):
    study = code(help_text="code to call it by here")
    title = serializers.CharField(max_length=300)
    citation = serializers.CharField(source="source", max_length=500, help_text="full citation")
    url = serializers.URLField(max_length=200, required=False, allow_blank=True)
    licence = serializers.CharField(
        max_length=40, required=False, allow_blank=True, help_text="SPDX identifier, if open"
    )
    notes = serializers.CharField(max_length=2000, required=False, allow_blank=True)
    effects = EffectIn(many=True, help_text=f"1 to {MOST_EFFECTS}")


class EffectOut(serializers.Serializer):
    material = serializers.CharField(source="material.code")
    site = serializers.CharField()
    country = serializers.CharField()
    measure = serializers.ChoiceField(choices=OUTSIDE_MEASURES)
    effect = serializers.FloatField()
    variance = serializers.FloatField()
    n_piles = serializers.IntegerField(allow_null=True)
    n_bags = serializers.IntegerField(allow_null=True)


class StudyOut(serializers.Serializer):
    study = serializers.CharField(source="code")
    title = serializers.CharField()
    citation = serializers.CharField(source="source")
    url = serializers.CharField()
    licence = serializers.CharField()
    notes = serializers.CharField()
    registered_at = serializers.DateTimeField()
    withdrawn_at = serializers.DateTimeField(allow_null=True)
    withdrawn_reason = serializers.CharField()
    effects = EffectOut(many=True)


class WithdrawalIn(serializers.Serializer):
    reason = serializers.CharField(max_length=500)


class _Studies(ListRows):
    model = OutsideStudy
    prefetched = ("effects__material",)
    serializer_class = StudyOut
    filters = {"study": Filter("code", meaning="code of the study")}

    def post(self, request: Request) -> Response:
        actor = known_actor(request)
        body = StudyIn(data=request.data)
        body.is_valid(raise_exception=True)
        study, created = register_outside_study(by=actor, **body.validated_data)
        return Response(StudyOut(study).data, status=201 if created else 200)


OutsideStudies = extend_schema(
    methods=["POST"],
    summary="Register the summary of an outside study",
    tags=["pooling"],
    request=StudyIn,
    responses={200: StudyOut, 201: StudyOut},
)(listed("List outside studies", _Studies, "pooling"))


@extend_schema(
    tags=["pooling"],
    summary="Pool an outside study no more, and say why",
    request=WithdrawalIn,
    responses={200: StudyOut},
)
class WithdrawStudy(OneRow):
    model = OutsideStudy
    prefetched = ("effects__material",)
    lookup_field = "code"
    lookup_url_kwarg = "study"
    serializer_class = StudyOut
    http_method_names = ["post", "options"]

    def post(self, request: Request, **names: Any) -> Response:
        actor = known_actor(request)
        body = WithdrawalIn(data=request.data)
        body.is_valid(raise_exception=True)
        study = withdraw_outside_study(study=self.get_object(), by=actor, **body.validated_data)
        return Response(StudyOut(study).data)
