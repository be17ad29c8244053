"""Pooling runs and what they say."""

from dataclasses import asdict
from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.v1.authentication import actor_of, known_actor
from api.v1.filters import Filter
from api.v1.listing import ListRows, OneRow, listed
from api.v1.registration import trial_for
from registry.jobs.pooling import request_pooling
from registry.models import PooledEstimate, PoolingRun, RunState
from registry.models.pooled_estimate import HEAT_CLASSES, MODELS, OUTCOMES
from registry.queries.pooled_results import exclusions_of
from registry.queries.superseded import with_superseded


class RunOut(serializers.Serializer):
    id = serializers.IntegerField()
    trial = serializers.CharField(source="trial.code")
    state = serializers.ChoiceField(choices=RunState.values)
    stage = serializers.CharField()
    done = serializers.IntegerField()
    total = serializers.IntegerField()
    attempt = serializers.IntegerField()
    error = serializers.CharField()
    model_version = serializers.CharField()
    input_digest = serializers.CharField()
    requested_at = serializers.DateTimeField()
    started_at = serializers.DateTimeField(allow_null=True)
    heartbeat_at = serializers.DateTimeField(allow_null=True)
    finished_at = serializers.DateTimeField(allow_null=True)
    curves = serializers.CharField(
        help_text="decay curves of its piles: waiting, done, outdated (the data moved on) or failed"
    )
    superseded = serializers.BooleanField(
        help_text="whether a newer run of the trial has finished since"
    )


class WarningOut(serializers.Serializer):
    code = serializers.CharField()
    message = serializers.CharField()


class ChanceOut(serializers.Serializer):
    days = serializers.IntegerField()
    probability = serializers.FloatField(allow_null=True)


class SiteEstimateOut(serializers.Serializer):
    site = serializers.CharField(source="site.code")
    estimate = serializers.FloatField(allow_null=True)
    log_estimate = serializers.FloatField(allow_null=True)
    log_standard_error = serializers.FloatField(allow_null=True)
    ci_low = serializers.FloatField(allow_null=True)
    ci_high = serializers.FloatField(allow_null=True)
    shrunken_estimate = serializers.FloatField(allow_null=True)
    weight_pct = serializers.FloatField(allow_null=True)
    n_piles = serializers.IntegerField()
    n_bags = serializers.IntegerField()
    note = serializers.CharField()


class LeftOutOut(serializers.Serializer):
    site = serializers.CharField(source="site.code")
    estimate = serializers.FloatField(allow_null=True)
    ci_low = serializers.FloatField(allow_null=True)
    ci_high = serializers.FloatField(allow_null=True)
    tau2_site = serializers.FloatField(allow_null=True)


class CurvePointOut(serializers.Serializer):
    day = serializers.FloatField()
    fitted = serializers.FloatField(allow_null=True)
    ci_low = serializers.FloatField(allow_null=True)
    ci_high = serializers.FloatField(allow_null=True)
    pi_low = serializers.FloatField(allow_null=True)
    pi_high = serializers.FloatField(allow_null=True)


class LossScenarioOut(serializers.Serializer):
    assumption = serializers.CharField(help_text="what lost and damaged bags are taken for")
    estimate = serializers.FloatField(allow_null=True)
    ci_low = serializers.FloatField(allow_null=True)
    ci_high = serializers.FloatField(allow_null=True)


class ClassChanceOut(serializers.Serializer):
    score = serializers.IntegerField(help_text="0 whole … 5 none found")
    count = serializers.IntegerField(help_text="looks with this score")
    probability = serializers.FloatField(allow_null=True, help_text="in a new pile")


class ExclusionOut(serializers.Serializer):
    code = serializers.CharField(help_text="of the finding that was decided")
    reason = serializers.CharField(help_text="that the coordinator gave")
    n_looks = serializers.IntegerField()


class ComparisonOut(serializers.Serializer):
    other = serializers.CharField(source="other.code", help_text="material that is subtracted")
    difference = serializers.FloatField(help_text="in the unit of the estimate")
    standard_error = serializers.FloatField()
    df = serializers.FloatField()
    ci_low = serializers.FloatField()
    ci_high = serializers.FloatField()
    p_adjusted = serializers.FloatField()
    adjustment = serializers.CharField()


# Numbers of an estimate that the data may not support: null then, with a warning.
MAY_BE_NULL = (
    "estimate",
    "ci_low",
    "ci_high",
    "pi_low",
    "pi_high",
    "log_estimate",
    "log_standard_error",
    "tau2_site",
    "tau2_pile",
    "tau2_site_low",
    "tau2_site_high",
    "i2_pct",
    "q",
    "q_p",
    "lag_days",
    "lag_low",
    "lag_high",
    "residual_a",
    "residual_b",
    "standard_error",
    "df",
    "tau2_site_material",
    "tau2_pile_material",
    "residual_variance",
)
COUNTS = ("n_sites", "n_piles", "n_bags", "n_excluded", "n_lost", "n_nothing_left")


class _EstimateNumbers(serializers.Serializer):
    def get_fields(self) -> dict[str, Any]:
        numbers = {name: serializers.FloatField(allow_null=True) for name in MAY_BE_NULL}
        counts = {name: serializers.IntegerField() for name in COUNTS}
        return {**super().get_fields(), **numbers, **counts}


class EstimateOut(_EstimateNumbers):
    id = serializers.IntegerField()
    run = serializers.IntegerField(source="run_id")
    trial = serializers.CharField(source="run.trial.code")
    material = serializers.CharField(source="material.code")
    outcome = serializers.ChoiceField(choices=OUTCOMES)
    model = serializers.ChoiceField(choices=MODELS)
    day = serializers.IntegerField(allow_null=True)
    heat_class = serializers.ChoiceField(choices=HEAT_CLASSES)
    time_scale = serializers.CharField()
    unit = serializers.CharField(help_text="UCUM: 1/d, d or %")
    level = serializers.FloatField()
    q_df = serializers.IntegerField(allow_null=True)
    lag_identified = serializers.BooleanField(allow_null=True)
    letters = serializers.CharField(
        help_text="of fixed_day: materials that share a letter are not shown to differ"
    )
    converged = serializers.BooleanField()
    at_boundary = serializers.BooleanField()
    method = serializers.CharField()
    model_version = serializers.CharField(source="run.model_version")
    input_digest = serializers.CharField(source="run.input_digest")
    superseded = serializers.BooleanField(
        help_text="whether a newer run of the trial has finished since"
    )
    chance_90_by = ChanceOut(many=True)
    warnings = WarningOut(many=True)


class WholeEstimateOut(EstimateOut):
    sites = SiteEstimateOut(many=True)
    left_out = LeftOutOut(many=True)
    loss_sensitivity = LossScenarioOut(many=True)
    curve = CurvePointOut(many=True)
    class_chances = ClassChanceOut(many=True, help_text="of ordinal: each class of the score")
    exclusions = serializers.SerializerMethodField(
        help_text="looks at the material that a person had left out when the run began, by reason"
    )
    comparisons = serializers.SerializerMethodField(help_text="of fixed_day: all pairs")
    against_reference = serializers.SerializerMethodField(
        help_text="of fixed_day: less the trial's reference material"
    )
    within_formulation = serializers.SerializerMethodField(
        help_text="of fixed_day: less its base without filler, or its uncoated partner"
    )

    @extend_schema_field(ExclusionOut(many=True))
    def get_exclusions(self, found: PooledEstimate) -> list[dict[str, Any]]:
        return [asdict(left_out) for left_out in exclusions_of(found.run, found.material)]

    @extend_schema_field(ComparisonOut(many=True))
    def get_comparisons(self, found: PooledEstimate) -> list[dict[str, Any]]:
        pairs = [
            part
            for part in found.compared.all()
            if not (part.against_reference or part.within_formulation)
        ]
        return list(ComparisonOut(pairs, many=True).data)

    @extend_schema_field(ComparisonOut(allow_null=True))
    def get_within_formulation(self, found: PooledEstimate) -> dict[str, Any] | None:
        return next(
            (dict(ComparisonOut(c).data) for c in found.compared.all() if c.within_formulation),
            None,
        )

    @extend_schema_field(ComparisonOut(allow_null=True))
    def get_against_reference(self, found: PooledEstimate) -> dict[str, Any] | None:
        for part in found.compared.all():
            if part.against_reference:
                return dict(ComparisonOut(part).data)
        return None


class _Runs(ListRows):
    model = PoolingRun
    related = ("trial",)
    serializer_class = RunOut
    filters = {
        "trial": Filter("trial__code", meaning="code of the trial"),
        "state": Filter("state", "choice", tuple(RunState.values), "where the run is"),
    }

    def get_queryset(self) -> QuerySet[Any]:
        return with_superseded(super().get_queryset(), actor_of(self.request))


Runs = listed("List pooling runs", _Runs, "pooling")


class OneRun(OneRow):
    model = PoolingRun
    related = ("trial",)
    serializer_class = RunOut

    def get_queryset(self) -> QuerySet[Any]:
        return with_superseded(super().get_queryset(), actor_of(self.request))


class RequestPooling(APIView):
    @extend_schema(
        tags=["pooling"],
        summary="Ask for pooling; the same data and model give the existing run",
        request=None,
        responses={200: RunOut, 202: RunOut},
    )
    def post(self, request: Request, trial: str) -> Response:
        actor = known_actor(request)
        run, created = request_pooling(trial=trial_for(request, trial), by=actor)
        location = {"Location": f"/api/v1/pooling-runs/{run.pk}/"}
        found = with_superseded(PoolingRun.objects.select_related("trial"), actor).get(pk=run.pk)
        return Response(RunOut(found).data, status=202 if created else 200, headers=location)


class _Estimates(ListRows):
    model = PooledEstimate
    related = ("run__trial", "material")
    prefetched = ("chance_90_by", "warnings")
    serializer_class = EstimateOut
    filters = {
        "trial": Filter("run__trial__code", meaning="code of the trial"),
        "run": Filter("run_id", "integer", meaning="id of the pooling run"),
        "material": Filter("material__code", meaning="code of the material"),
        "outcome": Filter("outcome", "choice", OUTCOMES, "what is estimated"),
        "model": Filter("model", "choice", MODELS, "which model"),
        "heat_class": Filter("heat_class", "choice", HEAT_CLASSES, "heat of the piles"),
    }

    def get_queryset(self) -> QuerySet[Any]:
        return with_superseded(super().get_queryset(), actor_of(self.request), run="run")


Estimates = listed("List pooled estimates", _Estimates, "pooling")


class OneEstimate(OneRow):
    model = PooledEstimate
    related = ("run__trial", "material")
    prefetched = (
        "chance_90_by",
        "warnings",
        "sites__site",
        "left_out__site",
        "loss_sensitivity",
        "class_chances",
        "compared__other",
        "curve",
    )
    serializer_class = WholeEstimateOut

    def get_queryset(self) -> QuerySet[Any]:
        return with_superseded(super().get_queryset(), actor_of(self.request), run="run")
