"""Decay curves of one pile and material: five shapes side by side, ranked by one AICc."""

from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.v1.authentication import actor_of
from api.v1.filters import Filter
from api.v1.listing import ListRows, OneRow, listed
from registry.models import CurveShape, Pile, PileCurve
from registry.models.pile_curve import CURVE_METHODS, CURVE_OUTCOMES, SHAPE_NAMES
from registry.permissions import visible_to
from registry.queries.pile_curves import newest_curves
from registry.queries.superseded import with_superseded
from registry.science.curve_shapes import SHAPES

PARAMETERS = {shape.name: shape.names for shape in SHAPES}


class ParameterOut(serializers.Serializer):
    name = serializers.CharField(help_text="k, k_fast, k_slow: per day; lag, scale: days")
    value = serializers.FloatField()
    standard_error = serializers.FloatField(
        allow_null=True, help_text="null at a boundary and where parameters cannot be told apart"
    )


class CurveWarningOut(serializers.Serializer):
    code = serializers.CharField()
    message = serializers.CharField()


class ShapeOut(serializers.Serializer):
    shape = serializers.ChoiceField(choices=SHAPE_NAMES)
    refused = serializers.CharField(help_text="why there is no fit; blank when there is one")
    parameters = serializers.SerializerMethodField()
    aicc = serializers.FloatField(
        allow_null=True, help_text="all parameters and the scatter counted; null: too few looks"
    )
    log_likelihood = serializers.FloatField(allow_null=True)
    half_life_days = serializers.FloatField(allow_null=True)
    days_to_90 = serializers.FloatField(allow_null=True, help_text="null: never comes so low")
    extrapolated = serializers.BooleanField(help_text="days to 90 % lie beyond the last look")
    mean_residence_days = serializers.FloatField(allow_null=True)
    plateau = serializers.FloatField(allow_null=True, help_text="fraction that never leaves")
    last_day = serializers.FloatField(allow_null=True)
    at_boundary = serializers.BooleanField()
    converged = serializers.BooleanField()
    warnings = serializers.SerializerMethodField()

    @extend_schema_field(ParameterOut(many=True))
    def get_parameters(self, found: CurveShape) -> list[dict[str, Any]]:
        values = zip(found.parameters, found.standard_errors, strict=True)
        names = PARAMETERS[found.shape] if found.parameters else ()
        return [
            {"name": name, "value": value, "standard_error": error}
            for name, (value, error) in zip(names, values, strict=True)
        ]

    @extend_schema_field(CurveWarningOut(many=True))
    def get_warnings(self, found: CurveShape) -> list[dict[str, str]]:
        told = zip(found.warning_codes, found.warnings, strict=True)
        return [{"code": code, "message": message} for code, message in told]


class PileCurveOut(serializers.Serializer):
    id = serializers.IntegerField()
    run = serializers.IntegerField(source="run_id")
    trial = serializers.CharField(source="run.trial.code")
    site = serializers.CharField(source="pile.site.code")
    pile = serializers.CharField(source="pile.code")
    material = serializers.CharField(source="material.code")
    outcome = serializers.ChoiceField(choices=CURVE_OUTCOMES)
    message = serializers.CharField(help_text="why there is no curve, or why only a bound")
    method = serializers.ChoiceField(choices=CURVE_METHODS)
    best = serializers.CharField(help_text="shape of least AICc; blank when none is ranked")
    rate_at_least = serializers.FloatField(allow_null=True, help_text="bound, per day")
    rate_at_most = serializers.FloatField(allow_null=True, help_text="bound, per day")
    residual_a = serializers.FloatField(allow_null=True, help_text="residual variance a + b·f²")
    residual_b = serializers.FloatField(allow_null=True)
    n_looks = serializers.IntegerField()
    n_days = serializers.IntegerField()
    n_nothing_left = serializers.IntegerField()
    superseded = serializers.BooleanField(
        help_text="whether a newer run of the trial has finished since"
    )
    shapes = ShapeOut(many=True)


RELATED = ("run__trial", "pile__site", "material")


class _Curves(ListRows):
    model = PileCurve
    related = RELATED
    prefetched = ("shapes",)
    serializer_class = PileCurveOut
    filters = {
        "trial": Filter("run__trial__code", meaning="code of the trial"),
        "run": Filter("run_id", "integer", meaning="id of the pooling run"),
        "site": Filter("pile__site__code", meaning="code of the site"),
        "pile": Filter("pile__code", meaning="code of the pile"),
        "material": Filter("material__code", meaning="code of the material"),
        "outcome": Filter("outcome", "choice", CURVE_OUTCOMES, "whether there is a curve"),
        "best": Filter("best", "choice", SHAPE_NAMES, "shape of least AICc"),
    }

    def get_queryset(self) -> QuerySet[Any]:
        return with_superseded(super().get_queryset(), actor_of(self.request), run="run")


Curves = listed("List decay curves of piles", _Curves, "piles")


class CurvesOfPileOut(serializers.Serializer):
    pile_id = serializers.IntegerField()
    curves = PileCurveOut(many=True)


@extend_schema(
    tags=["piles"],
    summary="Decay curves of one pile, of the newest finished run that has them",
    description="One entry per material with a usable look; empty until curves are fitted.",
    responses={200: CurvesOfPileOut},
)
class CurvesOfPile(OneRow):
    model = Pile
    related = ("trial",)
    serializer_class = CurvesOfPileOut

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        actor, pile = actor_of(request), self.get_object()
        rows = newest_curves(visible_to(actor, PileCurve), pile)
        found = with_superseded(rows.select_related(*RELATED), actor, run="run")
        said = {"pile_id": pile.pk, "curves": found.prefetch_related("shapes")}
        return Response(CurvesOfPileOut(said).data)
