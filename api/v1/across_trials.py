"""One material or family pooled over all released trials; public, no token."""

import math
from dataclasses import asdict
from typing import Any

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.v1.estimates import WarningOut
from api.v1.filters import Filter, checked, parameters
from registry.errors import InvalidValue, NotFound
from registry.models import Material
from registry.models.pooled_estimate import HEAT_CLASSES
from registry.permissions import ANYONE, visible_to
from registry.queries.across_trials import (
    OUTCOMES,
    AcrossTrialsAnswer,
    EffectRow,
    across_trials,
    family_of,
)
from registry.science.across_trials import AcrossTrials

UNITS = {"decay_rate": "1/d", "days_to_90": "d"}
# What is asked, not columns of a list; checked as filters are.
ASKED = {
    "material": Filter("", meaning="code of the material"),
    "family": Filter("", meaning="base component shared by a family of materials"),
    "outcome": Filter("", "choice", OUTCOMES, "decay_rate when not given"),
    "heat_class": Filter("", "choice", HEAT_CLASSES, "all when not given"),
}


class RowOut(serializers.Serializer):
    trial = serializers.CharField()
    version = serializers.IntegerField(
        allow_null=True, help_text="of the trial's newest public release; null for outside studies"
    )
    external = serializers.BooleanField(help_text="true for a study run elsewhere")
    citation = serializers.CharField(help_text="of an outside study, else blank")
    site = serializers.CharField()
    material = serializers.CharField()
    estimate = serializers.FloatField()
    log_estimate = serializers.FloatField()
    log_standard_error = serializers.FloatField()
    n_piles = serializers.IntegerField(allow_null=True)
    n_bags = serializers.IntegerField(allow_null=True)


class TrialMeanOut(serializers.Serializer):
    trial = serializers.CharField()
    log_mean = serializers.FloatField()
    log_standard_error = serializers.FloatField()
    n_rows = serializers.IntegerField()
    left_out_mu = serializers.FloatField(allow_null=True, help_text="pooled log mean without it")
    left_out_standard_error = serializers.FloatField(allow_null=True)


class PooledOut(serializers.Serializer):
    estimate = serializers.FloatField()
    ci_low = serializers.FloatField()
    ci_high = serializers.FloatField()
    pi_low = serializers.FloatField(allow_null=True, help_text="new site in a new trial")
    pi_high = serializers.FloatField(allow_null=True)
    log_estimate = serializers.FloatField()
    log_standard_error = serializers.FloatField()
    tau2_trial = serializers.FloatField()
    tau2_site = serializers.FloatField()
    tau2_material = serializers.FloatField(allow_null=True)
    typical_factor = serializers.FloatField(help_text="by which two of the trials differ")
    q = serializers.FloatField()
    q_df = serializers.IntegerField()
    q_p = serializers.FloatField()
    n_trials = serializers.IntegerField()
    n_sites = serializers.IntegerField()
    advised = serializers.BooleanField(help_text="false when trials differ too much to pool")
    trials = TrialMeanOut(many=True)


class AcrossOut(serializers.Serializer):
    materials = serializers.ListField(child=serializers.CharField())
    family = serializers.CharField(allow_null=True)
    outcome = serializers.ChoiceField(choices=OUTCOMES)
    heat_class = serializers.ChoiceField(choices=HEAT_CLASSES)
    unit = serializers.CharField()
    level = serializers.FloatField()
    method = serializers.CharField()
    pooled = PooledOut(allow_null=True, help_text="releases of this registry alone")
    pooled_with_outside = PooledOut(
        allow_null=True, help_text="with the outside studies too; null when there are none"
    )
    rows = RowOut(many=True)
    warnings = WarningOut(many=True)


class Across(APIView):
    @extend_schema(
        tags=["pooling"],
        summary="One material or family over all released trials",
        parameters=[*parameters(ASKED), OpenApiParameter("format", str, exclude=True)],
        responses={200: AcrossOut},
    )
    def get(self, request: Request) -> Response:
        asked = checked(request, ASKED)
        outcome = asked.get("outcome", "decay_rate")
        heat_class = asked.get("heat_class", "all")
        materials = _materials(asked)
        found = across_trials(materials, outcome=outcome, heat_class=heat_class)
        return Response(
            {
                "materials": [material.code for material in materials],
                "family": asked.get("family"),
                "outcome": outcome,
                "heat_class": heat_class,
                "unit": UNITS[outcome],
                "level": 0.95,
                "method": "REML, trial and site random, sampling variances known",
                **_said(found),
            }
        )


def _materials(asked: dict[str, Any]) -> list[Material]:
    if ("material" in asked) == ("family" in asked):
        raise InvalidValue("Name a material or a family, one of them.", field="material")
    if "family" in asked:
        found = family_of(asked["family"])
    else:
        found = list(visible_to(ANYONE, Material).filter(code=asked["material"]).distinct())
    if not found:
        raise NotFound("No public material is named so.")
    return found


def _said(found: AcrossTrialsAnswer) -> dict[str, Any]:
    return {
        "pooled": _pooled(found.pooled),
        "pooled_with_outside": _pooled(found.with_outside),
        "rows": [_row(row) for row in found.rows],
        "warnings": [asdict(warning) for warning in found.warnings],
    }


def _row(row: EffectRow) -> dict[str, Any]:
    said = asdict(row)
    variance = said.pop("variance")
    return said | {
        "citation": said.pop("source"),
        "external": row.external,
        "estimate": math.exp(row.log_estimate),
        "log_standard_error": math.sqrt(variance),
    }


def _pooled(pooled: AcrossTrials | None) -> dict[str, Any] | None:
    if pooled is None:
        return None
    low, high = pooled.pi or (None, None)
    said = asdict(pooled)
    for name in ("mu", "standard_error", "ci", "pi", "n_rows", "warnings"):
        del said[name]
    return said | {
        "estimate": math.exp(pooled.mu),
        "ci_low": math.exp(pooled.ci[0]),
        "ci_high": math.exp(pooled.ci[1]),
        "pi_low": None if low is None else math.exp(low),
        "pi_high": None if high is None else math.exp(high),
        "log_estimate": pooled.mu,
        "log_standard_error": pooled.standard_error,
    }
