"""What the probes of one pile say: heat class, numbers, published rules, logger faults."""

from datetime import UTC, datetime
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.v1.authentication import actor_of
from api.v1.listing import OneRow
from registry.columns import PILE_KINDS
from registry.models import Pile
from registry.models.pooled_estimate import PILE_HEAT_CLASSES
from registry.queries.pile_heat import heat_of_pile
from registry.queries.pile_probes import latest_day, probes_of
from registry.queries.pile_recipe import recipe_of
from registry.queries.probe_logs import SECONDS_PER_HOUR
from registry.science.fire_safety import ADVICE
from registry.science.heat_class import MIN_COVERAGE, MIN_LOGGED_H, HeatSummary
from registry.science.logger_faults import OutsideSpan
from registry.science.thermal import MAX_GAP_H, THRESHOLDS_C, ThermalSummary
from registry.science.thermal_rules import NOT_A_CERTIFICATE, days_needed


class AboveOut(serializers.Serializer):
    threshold_c = serializers.FloatField()
    hours = serializers.FloatField(help_text="at or above it, in all")
    longest_run_h = serializers.FloatField(help_text="longest unbroken run; a gap ends a run")
    equation_days = serializers.FloatField(
        allow_null=True,
        help_text="days that a constant temperature must hold by the time–temperature relation of "
        "40 CFR 503.32; null below 50 °C, where it does not apply",
    )


class RequirementOut(serializers.Serializer):
    needed = serializers.CharField()
    seen = serializers.CharField()
    met = serializers.BooleanField(allow_null=True, help_text="null when it cannot be told")


class RuleOut(serializers.Serializer):
    code = serializers.CharField(source="rule.code")
    name = serializers.CharField(source="rule.name")
    version = serializers.CharField(source="rule.version")
    jurisdiction = serializers.CharField(source="rule.jurisdiction")
    applies = serializers.BooleanField(help_text="whether it was written for this kind of pile")
    met = serializers.BooleanField(
        allow_null=True, help_text="null when it does not apply or the log cannot tell"
    )
    explanation = serializers.CharField()
    requirements = RequirementOut(many=True)
    total_days = serializers.FloatField(help_text="at or above the rule's lowest temperature")
    longest_run_days = serializers.FloatField()
    reference = serializers.CharField(source="rule.source", help_text="the published text")
    reference_status = serializers.CharField(
        source="rule.source_status", help_text="whether its numbers were read there"
    )


class OutsideOut(serializers.Serializer):
    probe = serializers.CharField()
    from_at = serializers.DateTimeField(help_text="UTC")
    until_at = serializers.DateTimeField(help_text="UTC")
    hours = serializers.FloatField()
    because = serializers.CharField()


class ProbeOut(serializers.Serializer):
    probe = serializers.CharField()
    in_air = serializers.BooleanField(help_text="hangs beside the pile")
    excluded = serializers.BooleanField(help_text="left out by a coordinator's decision")
    n_readings = serializers.IntegerField()
    first_day = serializers.DateField(help_text="UTC")
    last_day = serializers.DateField(help_text="UTC")
    lowest_c = serializers.FloatField()
    highest_c = serializers.FloatField()
    ask_about_unit = serializers.BooleanField(
        help_text="hotter than a live pile usually gets: check the unit and the probe"
    )


class LatestOut(serializers.Serializer):
    day = serializers.DateField(help_text="last logged day inside the pile, UTC")
    highest_c = serializers.FloatField()
    attention = serializers.ChoiceField(choices=list(ADVICE))
    advice = serializers.CharField(help_text="the local fire service's word comes first")


class HeatOut(serializers.Serializer):
    pile_id = serializers.IntegerField()
    site = serializers.CharField()
    pile = serializers.CharField()
    trial = serializers.CharField()
    kind = serializers.ChoiceField(choices=PILE_KINDS)
    heat_class = serializers.ChoiceField(choices=PILE_HEAT_CLASSES)
    reason = serializers.CharField(help_text="why this class")
    speaks = serializers.CharField(help_text="probe whose log speaks for the pile; blank for none")
    n_readings = serializers.IntegerField(help_text="of that probe, spans outside left out")
    logged_h = serializers.FloatField(help_text="hours between neighbouring readings, no gap")
    coverage_pct = serializers.FloatField(help_text="logged share of the span of the log")
    enough_logged = serializers.BooleanField(help_text="whether the log may say no to a rule")
    coverage_needed_pct = serializers.FloatField()
    logged_needed_h = serializers.FloatField()
    longest_bridged_gap_h = serializers.FloatField(help_text="a longer gap is never bridged")
    highest_c = serializers.FloatField(allow_null=True)
    mean_c = serializers.FloatField(allow_null=True)
    above = AboveOut(many=True)
    degree_hours = serializers.FloatField(help_text="°C·h above the base")
    degree_hours_base_c = serializers.FloatField()
    hot_from = serializers.DateTimeField(allow_null=True, help_text="first moment at 55 °C, UTC")
    hot_until = serializers.DateTimeField(allow_null=True, help_text="last moment at 55 °C, UTC")
    turnings_in_hot_phase = serializers.IntegerField()
    start_cn_ratio = serializers.FloatField(
        allow_null=True, help_text="of the recipe, for rules that ask for it"
    )
    rules = RuleOut(many=True)
    note = serializers.CharField(help_text="what a rule that is met does not mean")
    outside = OutsideOut(many=True, help_text="spans left out: the logger lay outside its pile")
    probes = ProbeOut(many=True)
    latest = LatestOut(allow_null=True)


@extend_schema(
    tags=["piles"],
    summary="Heat of one pile: class, hours above thresholds, published rules, logger faults",
    responses={200: HeatOut},
)
class PileHeat(OneRow):
    model = Pile
    related = ("site", "trial")
    serializer_class = HeatOut

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        pile = self.get_object()
        mix = recipe_of(actor_of(request), pile).mix
        cn_ratio = None if mix is None else mix.cn_ratio
        found = heat_of_pile(pile, cn_ratio=cn_ratio)
        probes = probes_of(pile)
        said = {
            **_of_pile(pile),
            **_of_class(found),
            **_of_log(found.thermal),
            "start_cn_ratio": cn_ratio,
            "outside": [_outside(span) for span in found.outside],
            "probes": probes,
            "latest": latest_day(pile, probes),
        }
        return Response(HeatOut(said).data)


def _of_pile(pile: Pile) -> dict[str, Any]:
    return {
        "pile_id": pile.pk,
        "site": pile.site.code,
        "pile": pile.code,
        "trial": pile.trial.code,
        "kind": pile.kind,
    }


def _of_class(found: HeatSummary) -> dict[str, Any]:
    enough = found.thermal.coverage >= MIN_COVERAGE and found.thermal.logged_h >= MIN_LOGGED_H
    return {
        "heat_class": found.heat_class,
        "reason": found.reason,
        "speaks": found.probe,
        "enough_logged": enough,
        "coverage_needed_pct": 100.0 * MIN_COVERAGE,
        "logged_needed_h": MIN_LOGGED_H,
        "rules": found.rules,
        "note": NOT_A_CERTIFICATE,
    }


def _of_log(thermal: ThermalSummary) -> dict[str, Any]:
    above = zip(THRESHOLDS_C, thermal.hours_above, thermal.longest_run_h, strict=True)
    return {
        "n_readings": thermal.n_readings,
        "logged_h": thermal.logged_h,
        "coverage_pct": 100.0 * thermal.coverage,
        "longest_bridged_gap_h": MAX_GAP_H,
        "highest_c": thermal.max_c,
        "mean_c": thermal.mean_c,
        "above": [
            {
                "threshold_c": threshold,
                "hours": hours,
                "longest_run_h": run,
                "equation_days": days_needed(threshold),
            }
            for threshold, hours, run in above
        ],
        "degree_hours": thermal.degree_hours,
        "degree_hours_base_c": thermal.degree_hours_base_c,
        "hot_from": _moment(thermal.hot_from_h),
        "hot_until": _moment(thermal.hot_until_h),
        "turnings_in_hot_phase": thermal.turnings_in_hot_phase,
    }


def _outside(span: OutsideSpan) -> dict[str, Any]:
    return {
        "probe": span.probe,
        "from_at": _moment(span.from_h),
        "until_at": _moment(span.until_h),
        "hours": span.hours,
        "because": span.because,
    }


def _moment(hours: float | None) -> datetime | None:
    """Hours since 1970 UTC as a moment."""
    return None if hours is None else datetime.fromtimestamp(hours * SECONDS_PER_HOUR, tz=UTC)
