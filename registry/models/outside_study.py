"""Summaries of studies run elsewhere: effect sizes with their variance and their source."""

from django.db import models
from django.db.models import Q

from .fields import code_field, code_is_well_formed, country_field
from .immutable import never_changed
from .material import Material
from .people import User

# Scales on which a study can be pooled with ours; the words of effect_sizes.csv.
OUTSIDE_MEASURES = ("log_decay_rate", "log_days_to_90")


class OutsideStudy(models.Model):
    """A published study, by its citation. One found wanting is withdrawn, and stays readable."""

    code = code_field(unique=True)
    title = models.CharField(max_length=300)
    source = models.CharField(max_length=500, help_text="full citation")
    url = models.URLField(blank=True, help_text="where it can be read; a DOI as https://doi.org/…")
    licence = models.CharField(max_length=40, blank=True, help_text="SPDX identifier, if open")
    notes = models.TextField(blank=True, max_length=2000)
    registered_by = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    registered_at = models.DateTimeField(auto_now_add=True)
    # Taken back when it should not be pooled any more; it stays readable.
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_reason = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            code_is_well_formed("outside_study"),
            models.CheckConstraint(condition=~Q(source=""), name="outside_study_has_a_source"),
            models.CheckConstraint(
                condition=Q(withdrawn_at__isnull=True, withdrawn_reason="")
                | (Q(withdrawn_at__isnull=False) & ~Q(withdrawn_reason="")),
                name="outside_study_withdrawn_with_a_reason",
            ),
        ]

    def __str__(self) -> str:
        return self.title


class OutsideEffect(models.Model):
    """One effect size of an outside study: of one material at one of its sites."""

    study = models.ForeignKey(OutsideStudy, on_delete=models.PROTECT, related_name="effects")
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="outside_effects")
    site = models.CharField(max_length=100, help_text="the study's own name of the place")
    country = country_field(blank=True)
    measure = models.CharField(max_length=16, choices=[(name, name) for name in OUTSIDE_MEASURES])
    effect = models.FloatField(help_text="natural logarithm, per day or of days")
    variance = models.FloatField(help_text="sampling variance of the effect")
    n_piles = models.PositiveIntegerField(null=True, blank=True)
    n_bags = models.PositiveIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["study", "material", "site", "measure"]
        constraints = [
            models.UniqueConstraint(
                fields=["study", "material", "site", "measure"], name="outside_effect_once"
            ),
            models.CheckConstraint(
                condition=Q(measure__in=OUTSIDE_MEASURES), name="outside_effect_measure_known"
            ),
            # A rate between one in a million years and one in a second; catches an unlogged value.
            models.CheckConstraint(
                condition=Q(effect__gte=-20, effect__lte=20), name="outside_effect_in_range"
            ),
            models.CheckConstraint(
                condition=Q(variance__gt=0, variance__lte=100),
                name="outside_effect_variance_in_range",
            ),
        ]
        triggers = never_changed("outside_effect")

    def __str__(self) -> str:
        return f"{self.measure} of {self.material} at {self.site}"
