from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from registry.science.curve_results import CENSORED_LIKELIHOOD, LEAST_SQUARES
from registry.science.curve_shapes import SHAPES

from .fields import measured
from .immutable import never_changed
from .material import Material
from .pile import Pile
from .pooling_run import PoolingRun

SHAPE_NAMES = tuple(shape.name for shape in SHAPES)
CURVE_METHODS = (CENSORED_LIKELIHOOD, LEAST_SQUARES)
CURVE_OUTCOMES = ("fitted", "no_look", "one_day", "all_gone_at_first_look", "rate_not_positive")


class PileCurve(models.Model):
    """What one pile's looks at one material say by themselves, of the data of a pooling run.

    Never edited. `best` is the shape of least AICc, blank when none could be ranked; a bound stands
    where no rate can be told.
    """

    run = models.ForeignKey(PoolingRun, on_delete=models.PROTECT, related_name="pile_curves")
    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="curves")
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="pile_curves")
    outcome = models.CharField(max_length=24, choices=[(name, name) for name in CURVE_OUTCOMES])
    message = models.CharField(max_length=300, blank=True)
    method = models.CharField(max_length=20, choices=[(name, name) for name in CURVE_METHODS])
    best = models.CharField(max_length=20, blank=True)
    rate_at_least = measured()
    rate_at_most = measured()
    residual_a = measured()
    residual_b = measured()
    n_looks = models.PositiveIntegerField()
    n_days = models.PositiveIntegerField()
    n_nothing_left = models.PositiveIntegerField()

    class Meta:
        ordering = ["run", "pile", "material__code"]
        constraints = [
            models.UniqueConstraint(
                fields=["run", "pile", "material"], name="pile_curve_once_per_run"
            ),
            models.CheckConstraint(
                condition=Q(n_nothing_left__lte=F("n_looks"), n_days__lte=F("n_looks")),
                name="pile_curve_counts_its_looks",
            ),
            models.CheckConstraint(
                condition=Q(best="") | Q(best__in=SHAPE_NAMES, outcome="fitted"),
                name="pile_curve_best_is_a_shape",
            ),
        ]
        triggers = never_changed("pile_curve")

    def __str__(self) -> str:
        return f"{self.material_id} in {self.pile_id}: {self.best or self.outcome}"


class CurveShape(models.Model):
    """One of the five shapes for one pile and material: fitted, or refused with the reason.

    `parameters` and `standard_errors` run in the order of the shape's names (`curve_shapes`).
    """

    curve = models.ForeignKey(PileCurve, on_delete=models.CASCADE, related_name="shapes")
    shape = models.CharField(max_length=20, choices=[(name, name) for name in SHAPE_NAMES])
    refused = models.CharField(max_length=300, blank=True)
    parameters = ArrayField(models.FloatField(), default=list, blank=True)
    standard_errors = ArrayField(models.FloatField(null=True), default=list, blank=True)
    log_likelihood = measured()
    aicc = measured()
    half_life_days = measured()
    days_to_90 = measured()
    extrapolated = models.BooleanField(default=False)
    mean_residence_days = measured()
    plateau = measured()
    last_day = measured()
    at_boundary = models.BooleanField(default=False)
    converged = models.BooleanField(default=False)
    warning_codes = ArrayField(models.CharField(max_length=60), default=list, blank=True)
    warnings = ArrayField(models.CharField(max_length=300), default=list, blank=True)

    class Meta:
        ordering = ["curve", "id"]
        constraints = [
            models.UniqueConstraint(fields=["curve", "shape"], name="curve_shape_once"),
            models.CheckConstraint(
                condition=~Q(refused="") | Q(parameters__len__gte=1),
                name="curve_shape_fitted_or_refused",
            ),
            models.CheckConstraint(
                condition=Q(parameters__len=F("standard_errors__len")),
                name="curve_shape_errors_beside_parameters",
            ),
        ]
        triggers = never_changed("curve_shape")

    def __str__(self) -> str:
        return f"{self.shape} of {self.curve_id}"
