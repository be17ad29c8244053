from django.db import models
from django.db.models import F, Q

from .fields import measured
from .immutable import never_changed
from .material import Material
from .pile import Pile
from .pooling_run import PoolingRun
from .site import Site

EXPLANATIONS = ("filler_fraction", "thickness", "coating", "mean_temperature", "hours_above_55")
# Has numbers; every other code says why there are none.
ANSWERED = "answered"


class Explanation(models.Model):
    """What a run says of one thing that may go with a rate: exploratory. Never edited.

    The slope is on the natural log of the rate; a `step` of the moderator multiplies the rate by
    `ratio`. NULL means that the data cannot say; `code` and `message` say why.
    """

    run = models.ForeignKey(PoolingRun, on_delete=models.PROTECT, related_name="explanations")
    kind = models.CharField(max_length=20, choices=[(name, name) for name in EXPLANATIONS])
    subject = models.CharField(max_length=500, help_text="family, pair or material it is about")
    material = models.ForeignKey(
        Material, null=True, blank=True, on_delete=models.PROTECT, related_name="explanations"
    )
    other = models.ForeignKey(
        Material, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    code = models.CharField(max_length=40)
    message = models.CharField(max_length=500, blank=True)
    method = models.CharField(max_length=500, blank=True)
    unit = models.CharField(max_length=12)
    step = models.FloatField()
    n_rows = models.PositiveIntegerField()
    n_sites = models.PositiveIntegerField()
    n_materials = models.PositiveIntegerField()
    slope = measured()
    standard_error = measured()
    df = measured()
    ci_low = measured()
    ci_high = measured()
    p = measured()
    ratio = measured()
    ratio_low = measured()
    ratio_high = measured()
    intercept = measured()
    intercept_standard_error = measured()
    covariance = measured()
    tau2_site = measured()
    tau2_material = measured()
    tau2_row = measured()
    tau2_without = measured()
    r2_pct = measured()
    qe = measured()
    qe_df = models.PositiveIntegerField(null=True, blank=True)
    qe_p = measured()
    level = models.FloatField(default=0.95)

    class Meta:
        ordering = ["run", "kind", "subject"]
        constraints = [
            models.UniqueConstraint(
                fields=["run", "kind", "subject"], name="explanation_once_per_run"
            ),
            models.CheckConstraint(
                condition=Q(kind__in=EXPLANATIONS), name="explanation_kind_known"
            ),
            models.CheckConstraint(
                condition=Q(code=ANSWERED, slope__isnull=False, df__gte=1)
                | (~Q(code=ANSWERED) & ~Q(message="") & Q(slope__isnull=True)),
                name="explanation_answers_or_says_why",
            ),
            models.CheckConstraint(
                condition=Q(slope__isnull=True)
                | Q(ci_low__lte=F("slope"), ci_high__gte=F("slope"), standard_error__gte=0),
                name="explanation_inside_its_interval",
            ),
            models.CheckConstraint(
                condition=Q(r2_pct__isnull=True) | Q(r2_pct__gte=0, r2_pct__lte=100),
                name="explanation_r2_is_a_percentage",
            ),
        ]
        triggers = never_changed("explanation")

    def __str__(self) -> str:
        return f"{self.kind} of {self.subject}: {self.code}"


class ExplainedRate(models.Model):
    """A rate as it was set against a moderator: of a material at a site, or in one of its piles."""

    explanation = models.ForeignKey(Explanation, on_delete=models.CASCADE, related_name="points")
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    pile = models.ForeignKey(
        Pile, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    x = models.FloatField(help_text="the moderator, in the unit of the explanation")
    log_rate = models.FloatField(help_text="natural log of the rate per day")
    standard_error = models.FloatField()

    class Meta:
        ordering = ["explanation", "x", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["explanation", "material", "site", "pile"],
                nulls_distinct=False,
                name="explained_rate_once",
            ),
            models.CheckConstraint(
                condition=Q(standard_error__gt=0), name="explained_rate_has_an_error"
            ),
        ]
        triggers = never_changed("explained_rate")

    def __str__(self) -> str:
        return f"{self.log_rate:g} at {self.x:g}"
