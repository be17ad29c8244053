"""How wide an interval a trial will give, its power, and the cheapest trial that reaches a goal."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.v1.authentication import actor_of, known_actor
from registry.errors import InvalidValue
from registry.queries.plan_fields import FIELDS, PlanField, read_asked
from registry.queries.plan_question import Assumed, assumed_by, question_of
from registry.science.plan_answer import (
    CHEAPEST_OUTCOMES,
    COMPARISON_OUTCOMES,
    DAYS_OUTCOMES,
    Question,
    answer,
)
from registry.science.plan_simulation import SimulatedWidth, simulate_days_to_90

METHOD = (
    "By formula for a balanced trial: interval of a mean and of a difference in the linear mixed "
    "model of the primary day, power by the noncentral t; days to 90 % from the information about "
    "the log rate in the bags, lag and residual variance taken as known."
)
# Larger trials take too long to draw and fit within a request.
MOST_SIMULATED_PILES = 200


class PlanOut(serializers.Serializer):
    sites = serializers.IntegerField()
    piles = serializers.IntegerField(help_text="per site")
    materials = serializers.IntegerField()
    bags = serializers.IntegerField(help_text="per material, pile and look")
    looks = serializers.IntegerField()
    n_bags = serializers.IntegerField(help_text="in all")


class DaysOut(serializers.Serializer):
    outcome = serializers.ChoiceField(choices=DAYS_OUTCOMES)
    message = serializers.CharField()
    typical = serializers.FloatField(allow_null=True, help_text="d")
    low = serializers.FloatField(allow_null=True, help_text="expected end of the interval, d")
    high = serializers.FloatField(allow_null=True, help_text="d")
    factor = serializers.FloatField(allow_null=True, help_text="of the days after the lag")
    standard_error = serializers.FloatField(allow_null=True, help_text="natural log")
    df = serializers.IntegerField(allow_null=True)


class ComparisonExpectedOut(serializers.Serializer):
    outcome = serializers.ChoiceField(choices=COMPARISON_OUTCOMES)
    message = serializers.CharField()
    mean_half_width = serializers.FloatField(allow_null=True, help_text="percentage points")
    half_width = serializers.FloatField(
        allow_null=True, help_text="of a difference, percentage points"
    )
    standard_error = serializers.FloatField(allow_null=True)
    df = serializers.IntegerField(allow_null=True)
    power = serializers.FloatField(allow_null=True)


class CheapestOut(serializers.Serializer):
    outcome = serializers.ChoiceField(choices=CHEAPEST_OUTCOMES)
    message = serializers.CharField()
    plan = PlanOut(allow_null=True, help_text="out of reach: the largest that was considered")
    cost = serializers.FloatField(allow_null=True)
    days_to_90 = DaysOut(allow_null=True)
    comparison = ComparisonExpectedOut(allow_null=True)


class DecayAssumedOut(serializers.Serializer):
    rate_per_day = serializers.FloatField()
    lag_days = serializers.FloatField()
    tau2_site = serializers.FloatField(help_text="of the log rate")
    tau2_pile = serializers.FloatField()
    a = serializers.FloatField(help_text="residual variance a + b·f²")
    b = serializers.FloatField()


class DayAssumedOut(serializers.Serializer):
    site = serializers.FloatField(help_text="percentage points squared, as all here")
    site_material = serializers.FloatField()
    pile = serializers.FloatField()
    pile_material = serializers.FloatField()
    residual = serializers.FloatField()


class AssumedOut(serializers.Serializer):
    taken_from = serializers.CharField(help_text="the run, or typed in")
    decay = DecayAssumedOut(allow_null=True)
    on_day = DayAssumedOut(allow_null=True)
    days = serializers.ListField(child=serializers.FloatField())
    difference = serializers.FloatField(allow_null=True)
    comparisons = serializers.IntegerField()
    level = serializers.FloatField()
    notes = serializers.ListField(child=serializers.CharField())


class OutcomeCountOut(serializers.Serializer):
    outcome = serializers.CharField()
    trials = serializers.IntegerField()


class SimulatedOut(serializers.Serializer):
    n_trials = serializers.IntegerField()
    seed = serializers.IntegerField()
    n_with_interval = serializers.IntegerField()
    outcomes = OutcomeCountOut(many=True)
    factor = serializers.FloatField(allow_null=True, help_text="mean reach of the interval")
    half_width = serializers.FloatField(allow_null=True, help_text="its natural log")
    half_width_error = serializers.FloatField(
        allow_null=True, help_text="Monte-Carlo standard error"
    )
    half_width_low = serializers.FloatField(allow_null=True, help_text="10 % of trials below")
    half_width_high = serializers.FloatField(allow_null=True, help_text="10 % of trials above")
    coverage = serializers.FloatField(allow_null=True, help_text="held the true typical days")
    coverage_error = serializers.FloatField(allow_null=True)


class PlanAnswerOut(serializers.Serializer):
    assumed = AssumedOut()
    plan = PlanOut()
    cost = serializers.FloatField()
    days_to_90 = DaysOut()
    comparison = ComparisonExpectedOut()
    cheapest = CheapestOut()
    simulated = SimulatedOut(allow_null=True)
    method = serializers.CharField()


OPENAPI = {
    "text": OpenApiTypes.STR,
    "days": OpenApiTypes.STR,
    "whole": OpenApiTypes.INT,
    "number": OpenApiTypes.DOUBLE,
}


def _parameter(field: PlanField) -> OpenApiParameter:
    meaning = field.meaning
    if field.kind in ("whole", "number"):
        meaning += f"; {field.low:.10g} to {field.high:.10g}"
    return OpenApiParameter(field.name, OPENAPI[field.kind], description=meaning)


class Planning(APIView):
    @extend_schema(
        tags=["pooling"],
        summary="Plan a trial: expected intervals, power, and the cheapest plan for a goal",
        description=(
            "Variances come from a finished run that you may read (`trial` or `run`, and "
            "`material`), or are typed in; what is typed in takes the place of the run's. A goal "
            "that no plan reaches is an answer, `out_of_reach`, with how far the largest comes."
        ),
        parameters=[
            *map(_parameter, FIELDS),
            OpenApiParameter("format", str, exclude=True),
        ],
        responses={200: PlanAnswerOut},
    )
    def get(self, request: Request) -> Response:
        asked = _asked(request)
        assumed = assumed_by(asked, actor_of(request))
        question = question_of(asked, assumed)
        simulated = _simulated(request, asked, question, assumed)
        found = answer(question)
        said = {
            "assumed": _assumed(question, assumed),
            "plan": found.plan,
            "cost": found.cost,
            "days_to_90": found.days_to_90,
            "comparison": found.comparison,
            "cheapest": found.cheapest,
            "simulated": simulated,
            "method": METHOD,
        }
        return Response(PlanAnswerOut(said).data)


def _asked(request: Request) -> dict[str, Any]:
    sent = request.query_params.dict()
    sent.pop("format", None)
    return read_asked(sent)


def _assumed(question: Question, assumed: Assumed) -> dict[str, Any]:
    return {
        "taken_from": assumed.source,
        "decay": question.decay,
        "on_day": question.on_day,
        "days": question.days,
        "difference": question.difference,
        "comparisons": question.comparisons,
        "level": question.level,
        "notes": assumed.notes,
    }


def _simulated(
    request: Request, asked: Mapping[str, Any], question: Question, assumed: Assumed
) -> dict[str, Any] | None:
    """A few drawn and fitted trials, for callers that are known: it costs a second."""
    n_trials = asked.get("simulations", 0)
    if n_trials == 0:
        return None
    known_actor(request)
    if question.decay is None:
        raise InvalidValue("A simulation needs the decay rate's variances.", field="simulations")
    if question.plan.n_piles > MOST_SIMULATED_PILES:
        raise InvalidValue(
            f"Here trials of up to {MOST_SIMULATED_PILES} piles are drawn; "
            "the command `coheap plan --simulations` draws larger ones.",
            field="simulations",
        )
    found = simulate_days_to_90(
        question.decay,
        question.plan,
        np.array(question.days),
        n_trials=n_trials,
        seed=asked.get("seed", 1),
        detection_limit=assumed.detection_limit,
        level=question.level,
    )
    return _of_simulation(found)


def _of_simulation(found: SimulatedWidth) -> dict[str, Any]:
    counts = [{"outcome": name, "trials": n} for name, n in found.outcomes]
    return asdict(found) | {"outcomes": counts}
