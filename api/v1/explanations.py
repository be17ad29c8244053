"""What may go with a fast or slow decay, as a run found it: exploratory."""

from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema_serializer
from rest_framework import serializers

from api.v1.authentication import actor_of
from api.v1.filters import Filter
from api.v1.listing import ListRows, OneRow, listed
from registry.models import Explanation
from registry.models.explanation import EXPLANATIONS
from registry.queries.superseded import with_superseded

# Null where the data cannot answer; `code` and `message` say why.
MAY_BE_NULL = {
    "slope": "on the natural log of the rate, per unit (thickness: per doubling)",
    "standard_error": "of the slope",
    "df": "degrees of freedom of its t",
    "ci_low": "of the slope",
    "ci_high": "of the slope",
    "p": "of the slope, not adjusted for how many were asked",
    "ratio": "by which one `step` of the moderator multiplies the rate",
    "ratio_low": "lower end of its interval",
    "ratio_high": "upper end of its interval",
    "intercept": "log rate at zero, other terms at their mean",
    "intercept_standard_error": "of the intercept",
    "covariance": "of intercept and slope, for the interval of the line",
    "tau2_site": "variance between sites beside the moderator; null when not separable",
    "tau2_material": "variance between materials beside the moderator",
    "tau2_row": "variance of single rows beside it: site × material, or pile in site",
    "tau2_without": "sum of these variances without the moderator",
    "r2_pct": "share of that sum that the moderator takes away; null when there is none",
    "qe": "residual heterogeneity Q",
    "qe_p": "its p, chi-squared with qe_df degrees of freedom",
}


class ExplainedRateOut(serializers.Serializer):
    material = serializers.CharField(source="material.code")
    site = serializers.CharField(source="site.code")
    pile = serializers.CharField(source="pile.code", allow_null=True, default=None)
    x = serializers.FloatField(help_text="the moderator, in `unit`")
    log_rate = serializers.FloatField(help_text="natural log of the rate per day")
    standard_error = serializers.FloatField()


@extend_schema_serializer(component_name="Explanation")
class ExplanationOut(serializers.Serializer):
    id = serializers.IntegerField()
    run = serializers.IntegerField(source="run_id")
    trial = serializers.CharField(source="run.trial.code")
    kind = serializers.ChoiceField(choices=EXPLANATIONS)
    subject = serializers.CharField(help_text="family, pair or material it is about")
    material = serializers.CharField(source="material.code", allow_null=True, default=None)
    other = serializers.CharField(
        source="other.code",
        allow_null=True,
        default=None,
        help_text="of coating: the uncoated partner",
    )
    code = serializers.CharField(help_text="`answered`, or why there are no numbers")
    message = serializers.CharField(help_text="why, or what to be careful with")
    method = serializers.CharField()
    unit = serializers.CharField(help_text="UCUM unit of the moderator")
    step = serializers.FloatField(help_text="of the moderator, for `ratio`; 1 is a doubling of um")
    n_rows = serializers.IntegerField()
    n_sites = serializers.IntegerField()
    n_materials = serializers.IntegerField()
    qe_df = serializers.IntegerField(allow_null=True)
    level = serializers.FloatField()
    model_version = serializers.CharField(source="run.model_version")
    input_digest = serializers.CharField(source="run.input_digest")
    superseded = serializers.BooleanField(
        help_text="whether a newer run of the trial has finished since"
    )

    def get_fields(self) -> dict[str, Any]:
        numbers = {
            name: serializers.FloatField(allow_null=True, help_text=meaning)
            for name, meaning in MAY_BE_NULL.items()
        }
        return {**super().get_fields(), **numbers}


@extend_schema_serializer(component_name="WholeExplanation")
class WholeExplanationOut(ExplanationOut):
    points = ExplainedRateOut(many=True, help_text="the rates as they were fitted")


class _Explanations(ListRows):
    model = Explanation
    related = ("run__trial", "material", "other")
    serializer_class = ExplanationOut
    filters = {
        "trial": Filter("run__trial__code", meaning="code of the trial"),
        "run": Filter("run_id", "integer", meaning="id of the pooling run"),
        "kind": Filter("kind", "choice", EXPLANATIONS, "what may go with the rate"),
        "material": Filter("material__code", meaning="code of the material, of heat and coating"),
        "code": Filter("code", meaning="`answered`, or why there are no numbers"),
    }

    def get_queryset(self) -> QuerySet[Any]:
        return with_superseded(super().get_queryset(), actor_of(self.request), run="run")


Explanations = listed("List exploratory explanations of rates", _Explanations, "pooling")


class OneExplanation(OneRow):
    model = Explanation
    related = ("run__trial", "material", "other")
    prefetched = ("points__material", "points__site", "points__pile")
    serializer_class = WholeExplanationOut

    def get_queryset(self) -> QuerySet[Any]:
        return with_superseded(super().get_queryset(), actor_of(self.request), run="run")
