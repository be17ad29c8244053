from django.db import models
from django.db.models import Q

from .fields import measured
from .immutable import never_changed
from .material import Material
from .pooling_run import PoolingRun
from .site import Site

OUTCOMES = ("decay_rate", "days_to_90", "disintegration_at_day", "fragmentation_at_day")
MODELS = ("one_stage", "two_stage", "fixed_day", "ordinal")
PILE_HEAT_CLASSES = ("hot", "warm", "cool", "unknown")
HEAT_CLASSES = ("all", *PILE_HEAT_CLASSES)


class PooledEstimate(models.Model):
    """What a run says of one material. Never edited; newer data make a new run.

    Rates and days are on the scale people read, with the logarithm beside them. NULL means that the
    data cannot say; a warning says why.
    """

    run = models.ForeignKey(PoolingRun, on_delete=models.PROTECT, related_name="estimates")
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="estimates")
    outcome = models.CharField(max_length=24, choices=[(name, name) for name in OUTCOMES])
    model = models.CharField(max_length=12, choices=[(name, name) for name in MODELS])
    heat_class = models.CharField(
        max_length=8, default="all", choices=[(name, name) for name in HEAT_CLASSES]
    )
    time_scale = models.CharField(max_length=12, default="days")
    day = models.PositiveSmallIntegerField(null=True, blank=True)
    unit = models.CharField(max_length=12)
    estimate = measured()
    ci_low = measured()
    ci_high = measured()
    pi_low = measured()
    pi_high = measured()
    level = models.FloatField(default=0.95)
    log_estimate = measured()
    log_standard_error = measured()
    tau2_site = measured()
    tau2_pile = measured()
    i2_pct = measured()
    q = measured()
    q_df = models.PositiveIntegerField(null=True, blank=True)
    q_p = measured()
    lag_days = measured()
    lag_low = measured()
    lag_high = measured()
    lag_identified = models.BooleanField(null=True, blank=True)
    residual_a = measured()
    residual_b = measured()
    tau2_site_low = measured()
    tau2_site_high = measured()
    converged = models.BooleanField(default=True)
    at_boundary = models.BooleanField(default=False)
    n_evaluations = models.PositiveIntegerField(default=0)
    # Of a model on a linear scale: materials that share a letter are not shown to differ.
    standard_error = measured()
    df = measured()
    letters = models.CharField(max_length=60, blank=True)
    # The part of each variance that is a material's own, and the variance of bags.
    tau2_site_material = measured()
    tau2_pile_material = measured()
    residual_variance = measured()
    n_sites = models.PositiveIntegerField()
    n_piles = models.PositiveIntegerField()
    n_bags = models.PositiveIntegerField()
    n_excluded = models.PositiveIntegerField()
    n_lost = models.PositiveIntegerField()
    n_nothing_left = models.PositiveIntegerField()
    method = models.CharField(max_length=1000)

    class Meta:
        ordering = ["run", "material__code", "outcome", "model", "heat_class", "day"]
        constraints = [
            models.UniqueConstraint(
                fields=["run", "material", "outcome", "model", "heat_class", "time_scale", "day"],
                nulls_distinct=False,
                name="estimate_once_per_run",
            ),
            models.CheckConstraint(
                condition=Q(tau2_site__isnull=True) | Q(tau2_site__gte=0),
                name="estimate_tau2_site_not_negative",
            ),
            models.CheckConstraint(
                condition=Q(ci_low__isnull=True)
                | Q(ci_low__lte=models.F("estimate"), ci_high__gte=models.F("estimate")),
                name="estimate_inside_its_interval",
            ),
        ]
        triggers = never_changed("pooled_estimate")

    def __str__(self) -> str:
        return f"{self.material_id} {self.outcome} {self.model}"


class SiteEstimate(models.Model):
    """One site's own estimate and the one shrunken towards the others."""

    pooled = models.ForeignKey(PooledEstimate, on_delete=models.CASCADE, related_name="sites")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    estimate = measured()
    log_estimate = measured()
    log_standard_error = measured()
    ci_low = measured()
    ci_high = measured()
    shrunken_estimate = measured()
    weight_pct = measured()
    n_piles = models.PositiveIntegerField()
    n_bags = models.PositiveIntegerField()
    note = models.CharField(max_length=500, blank=True, help_text="why a site is shown greyed")

    class Meta:
        ordering = ["pooled", "site__code"]
        constraints = [
            models.UniqueConstraint(fields=["pooled", "site"], name="site_estimate_once")
        ]
        triggers = never_changed("site_estimate")

    def __str__(self) -> str:
        return f"{self.site_id}: {self.estimate}"


class LeaveOneOut(models.Model):
    """The pooled estimate without one site."""

    pooled = models.ForeignKey(PooledEstimate, on_delete=models.CASCADE, related_name="left_out")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    estimate = measured()
    ci_low = measured()
    ci_high = measured()
    tau2_site = measured()

    class Meta:
        ordering = ["pooled", "site__code"]
        constraints = [models.UniqueConstraint(fields=["pooled", "site"], name="left_out_once")]
        triggers = never_changed("left_out_estimate")

    def __str__(self) -> str:
        return f"without {self.site_id}: {self.estimate}"


class CurvePoint(models.Model):
    """Fraction remaining on one day, with its interval and the one for a new pile at a new site."""

    pooled = models.ForeignKey(PooledEstimate, on_delete=models.CASCADE, related_name="curve")
    day = models.FloatField()
    fitted = measured()
    ci_low = measured()
    ci_high = measured()
    pi_low = measured()
    pi_high = measured()

    class Meta:
        ordering = ["pooled", "day"]
        constraints = [models.UniqueConstraint(fields=["pooled", "day"], name="curve_point_once")]
        triggers = never_changed("curve_point")

    def __str__(self) -> str:
        return f"day {self.day:g}: {self.fitted}"


class ChanceBy(models.Model):
    """Chance that at least 90 % is gone by a day, for a new pile at a new site."""

    pooled = models.ForeignKey(
        PooledEstimate, on_delete=models.CASCADE, related_name="chance_90_by"
    )
    days = models.PositiveSmallIntegerField()
    probability = measured()

    class Meta:
        ordering = ["pooled", "days"]
        constraints = [
            models.UniqueConstraint(fields=["pooled", "days"], name="chance_once_per_day"),
            models.CheckConstraint(
                condition=Q(probability__gte=0, probability__lte=1), name="chance_is_a_probability"
            ),
        ]
        triggers = never_changed("chance")

    def __str__(self) -> str:
        return f"{self.probability} by day {self.days}"


class ClassChance(models.Model):
    """One class of a visual score: how often it was seen, and its chance in a new pile."""

    pooled = models.ForeignKey(
        PooledEstimate, on_delete=models.CASCADE, related_name="class_chances"
    )
    score = models.PositiveSmallIntegerField()
    count = models.PositiveIntegerField()
    probability = measured()

    class Meta:
        ordering = ["pooled", "score"]
        constraints = [
            models.UniqueConstraint(fields=["pooled", "score"], name="class_chance_once"),
            models.CheckConstraint(
                condition=Q(probability__gte=0, probability__lte=1),
                name="class_chance_is_a_probability",
            ),
        ]
        triggers = never_changed("class_chance")

    def __str__(self) -> str:
        return f"score {self.score}: {self.probability}"


class LossScenario(models.Model):
    """The estimate if every lost or damaged bag had been gone, or untouched."""

    pooled = models.ForeignKey(
        PooledEstimate, on_delete=models.CASCADE, related_name="loss_sensitivity"
    )
    assumption = models.CharField(max_length=20)
    estimate = measured()
    ci_low = measured()
    ci_high = measured()

    class Meta:
        ordering = ["pooled", "assumption"]
        constraints = [
            models.UniqueConstraint(fields=["pooled", "assumption"], name="loss_scenario_once")
        ]
        triggers = never_changed("loss_scenario")

    def __str__(self) -> str:
        return f"if lost bags were {self.assumption}: {self.estimate}"


class Comparison(models.Model):
    """This material less another on the same day, in the unit of the estimate."""

    pooled = models.ForeignKey(PooledEstimate, on_delete=models.CASCADE, related_name="compared")
    other = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="+")
    against_reference = models.BooleanField(
        help_text="adjusted among the comparisons with the reference, else among all pairs"
    )
    within_formulation = models.BooleanField(
        default=False,
        help_text="with its base alone or its uncoated partner, adjusted within that family",
    )
    difference = models.FloatField()
    standard_error = models.FloatField()
    df = models.FloatField()
    ci_low = models.FloatField()
    ci_high = models.FloatField()
    p_adjusted = models.FloatField()
    adjustment = models.CharField(max_length=20)

    class Meta:
        ordering = ["pooled", "against_reference", "other__code"]
        constraints = [
            models.UniqueConstraint(
                fields=["pooled", "other", "against_reference", "within_formulation"],
                name="comparison_once",
            )
        ]
        triggers = never_changed("comparison")

    def __str__(self) -> str:
        return f"less {self.other_id}: {self.difference:+.1f}"


class EstimateWarning(models.Model):
    """What a reader must know before using an estimate."""

    pooled = models.ForeignKey(PooledEstimate, on_delete=models.CASCADE, related_name="warnings")
    code = models.CharField(max_length=60)
    message = models.CharField(max_length=500)

    class Meta:
        ordering = ["pooled", "id"]
        triggers = never_changed("estimate_warning")

    def __str__(self) -> str:
        return self.message
