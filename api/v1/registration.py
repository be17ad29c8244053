"""Institutions, sites and trials: registered one at a time by a coordinator."""

from collections.abc import Callable
from typing import Any

from django.db.models import Model
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.generics import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.v1.authentication import actor_of, known_actor
from api.v1.filters import Filter
from api.v1.listing import ListRows, OneRow, listed
from registry.columns import CODE_PATTERN
from registry.models import Institution, Site, Trial, TrialState
from registry.permissions import visible_to
from registry.services import registration


def code(**options: Any) -> serializers.RegexField:
    options.setdefault("help_text", "2–40 upper-case letters, digits, hyphens and underscores")
    return serializers.RegexField(CODE_PATTERN, **options)


class InstitutionIn(serializers.Serializer):
    institution = code()
    name = serializers.CharField(max_length=200)
    country = serializers.RegexField("^[A-Z]{2}$", help_text="ISO 3166 alpha-2")
    ror = serializers.CharField(max_length=40, required=False, allow_blank=True)


class InstitutionOut(serializers.Serializer):
    institution = serializers.CharField(source="code")
    name = serializers.CharField()
    country = serializers.CharField()
    ror = serializers.CharField()


class SiteIn(serializers.Serializer):
    site = code()
    institution = code()
    name = serializers.CharField(max_length=200)
    country = serializers.RegexField("^[A-Z]{2}$", help_text="ISO 3166 alpha-2")
    time_zone = serializers.CharField(max_length=64, help_text="IANA name, such as Europe/Paris")
    latitude = serializers.FloatField(min_value=-90, max_value=90, required=False, allow_null=True)
    longitude = serializers.FloatField(
        min_value=-180, max_value=180, required=False, allow_null=True
    )


class SiteOut(serializers.Serializer):
    site = serializers.CharField(source="code")
    institution = serializers.CharField(source="institution.code")
    name = serializers.CharField()
    country = serializers.CharField()
    time_zone = serializers.CharField()
    latitude = serializers.FloatField(
        source="public_latitude", allow_null=True, help_text="rounded to a tenth of a degree"
    )
    longitude = serializers.FloatField(
        source="public_longitude", allow_null=True, help_text="rounded to a tenth of a degree"
    )


class TrialIn(serializers.Serializer):
    trial = code()
    title = serializers.CharField(max_length=300)
    schedule_days = serializers.ListField(
        child=serializers.IntegerField(min_value=1, max_value=1100), min_length=1, max_length=100
    )
    primary_day = serializers.IntegerField(min_value=1, max_value=1100)
    detection_limit = serializers.FloatField(
        min_value=1e-6, max_value=0.49, required=False, help_text="fraction, default 0.02"
    )
    window_days = serializers.IntegerField(min_value=0, max_value=60, required=False)
    sites = serializers.ListField(child=code(), max_length=1000)
    materials = serializers.ListField(child=code(), max_length=1000)
    reference_material = code(required=False, allow_null=True)
    licence = serializers.CharField(max_length=40, required=False, help_text="SPDX identifier")
    embargo_until = serializers.DateField(required=False, allow_null=True)


class TrialOut(serializers.Serializer):
    trial = serializers.CharField(source="code")
    title = serializers.CharField()
    state = serializers.ChoiceField(choices=TrialState.values)
    schedule_days = serializers.ListField(child=serializers.IntegerField())
    primary_day = serializers.IntegerField()
    detection_limit = serializers.FloatField()
    window_days = serializers.IntegerField()
    sites = serializers.SerializerMethodField(help_text="codes")
    materials = serializers.SerializerMethodField(help_text="codes")
    reference_material = serializers.CharField(
        source="reference_material.code", default=None, allow_null=True
    )
    licence = serializers.CharField()
    embargo_until = serializers.DateField(allow_null=True)

    def get_sites(self, trial: Trial) -> list[str]:
        return [site.code for site in trial.sites.all()]

    def get_materials(self, trial: Trial) -> list[str]:
        return [material.code for material in trial.materials.all()]


class TrialMoreIn(serializers.Serializer):
    """What may be added to a trial that is not closed; nothing is taken out."""

    sites = serializers.ListField(child=code(), max_length=1000, required=False)
    materials = serializers.ListField(child=code(), max_length=1000, required=False)


class StateIn(serializers.Serializer):
    state = serializers.ChoiceField(choices=TrialState.values)
    reason = serializers.CharField(max_length=500)


class _Registered(ListRows):
    """A list that a coordinator may add to."""

    shape_in: type[serializers.Serializer]
    register: Callable[..., tuple[Model, bool]]

    def post(self, request: Request) -> Response:
        actor = known_actor(request)
        body = self.shape_in(data=request.data)
        body.is_valid(raise_exception=True)
        record, created = self.register(by=actor, **body.validated_data)
        return Response(self.get_serializer(record).data, status=201 if created else 200)


class _Institutions(_Registered):
    model = Institution
    serializer_class = InstitutionOut
    shape_in = InstitutionIn
    filters = {
        "institution": Filter("code", meaning="code of the institution"),
        "country": Filter("country", meaning="ISO 3166 alpha-2"),
    }

    register = staticmethod(registration.register_institution)


class _Sites(_Registered):
    model = Site
    related = ("institution",)
    serializer_class = SiteOut
    shape_in = SiteIn
    filters = {
        "site": Filter("code", meaning="code of the site"),
        "institution": Filter("institution__code", meaning="code of the institution"),
        "country": Filter("country", meaning="ISO 3166 alpha-2"),
        "trial": Filter("trials__code", meaning="code of a trial it takes part in"),
    }

    register = staticmethod(registration.register_site)


class _Trials(_Registered):
    model = Trial
    related = ("reference_material",)
    prefetched = ("sites", "materials")
    serializer_class = TrialOut
    shape_in = TrialIn
    filters = {
        "trial": Filter("code", meaning="code of the trial"),
        "state": Filter("state", "choice", tuple(TrialState.values), "where it is in its life"),
    }

    register = staticmethod(registration.register_trial)


def _described(view: type[_Registered], noun: str) -> type[ListRows]:
    out = view.serializer_class
    return extend_schema(
        methods=["POST"],
        summary=f"Register one {noun}",
        tags=["registration"],
        request=view.shape_in,
        responses={200: out, 201: out},
    )(listed(f"List {noun}s", view, "registration"))


Institutions = _described(_Institutions, "institution")
Sites = _described(_Sites, "site")
Trials = _described(_Trials, "trial")


class OneTrial(OneRow):
    model = Trial
    related = ("reference_material",)
    prefetched = ("sites", "materials")
    lookup_field = "code"
    lookup_url_kwarg = "trial"
    serializer_class = TrialOut

    @extend_schema(
        tags=["registration"],
        summary="Add sites and materials to a trial that is not closed",
        request=TrialMoreIn,
        responses={200: TrialOut},
    )
    def patch(self, request: Request, trial: str) -> Response:
        actor = known_actor(request)
        body = TrialMoreIn(data=request.data)
        body.is_valid(raise_exception=True)
        changed = registration.update_trial(
            trial=trial_for(request, trial), by=actor, **body.validated_data
        )
        return Response(TrialOut(changed).data)


@extend_schema(
    tags=["registration"],
    summary="Move a trial forwards",
    request=StateIn,
    responses={200: TrialOut},
)
class TrialStates(APIView):
    def post(self, request: Request, trial: str) -> Response:
        actor = known_actor(request)
        body = StateIn(data=request.data)
        body.is_valid(raise_exception=True)
        moved = registration.move_trial(
            trial=trial_for(request, trial), by=actor, **body.validated_data
        )
        return Response(TrialOut(moved).data)


def trial_for(request: Request, trial_code: str) -> Trial:
    """The trial, when it exists for the caller; 404 otherwise."""
    return get_object_or_404(visible_to(actor_of(request), Trial), code=trial_code)
