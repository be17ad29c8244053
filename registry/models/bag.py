from django.db import models

from registry.columns import BAGS, PURPOSES, STRATA

from .fields import Sent, code_field, code_is_well_formed, constraints_of, measured
from .material import Material
from .pile import Pile
from .trial import Trial
from .whole_table_rules import bag_not_before_its_pile


class Bag(Sent):
    """One labelled mesh bag of one material in one pile. Its label is unique within the trial."""

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="bags", db_index=False)
    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="bags")
    label = code_field()
    material = models.ForeignKey(
        Material, on_delete=models.PROTECT, related_name="bags", db_index=False
    )
    buried_on = models.DateField()
    initial_mass_g = models.FloatField()
    initial_moisture_pct = measured()
    pieces = models.PositiveIntegerField(null=True, blank=True)
    mesh_mm = measured()
    depth_cm = measured()
    stratum = models.CharField(
        max_length=4, blank=True, choices=[(stratum, stratum) for stratum in STRATA]
    )
    planned_days = models.PositiveIntegerField(null=True, blank=True)
    purpose = models.CharField(
        max_length=6, default="sample", choices=[(purpose, purpose) for purpose in PURPOSES]
    )

    class Meta:
        ordering = ["trial__code", "label"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "label"], name="bag_label_once_per_trial"),
            code_is_well_formed("bag", "label"),
            *constraints_of(BAGS),
        ]
        triggers = bag_not_before_its_pile

    def __str__(self) -> str:
        return self.label
