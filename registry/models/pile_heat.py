"""What the logs of a pile's probes hold of heat, kept beside them so that it is measured once.

Nothing here is a record: every row can be measured again from the probe-days. Triggers count the
changes of a pile's logs, raw SQL included; numbers measured before the latest change are passed by.
"""

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from .fields import code_field, measured
from .pile import Pile


class PileLog(models.Model):
    """How often the logs of a pile changed, and at which of these states they were measured."""

    pile = models.OneToOneField(
        Pile, primary_key=True, on_delete=models.CASCADE, related_name="log"
    )
    version = models.BigIntegerField(default=1)
    measured_version = models.BigIntegerField(null=True, blank=True)
    measured_by = models.CharField(max_length=16, blank=True, help_text="name of the method")

    class Meta:
        ordering = ["pile"]
        constraints = [
            models.CheckConstraint(
                condition=Q(measured_version__isnull=True, measured_by="")
                | (Q(measured_version__lte=F("version")) & ~Q(measured_by="")),
                name="pile_log_measured_at_a_known_state",
            ),
        ]

    def __str__(self) -> str:
        return f"log of {self.pile}"


class ProbeHeat(models.Model):
    """`science.log_heat.ProbeHeat` in columns. Hours since 1970 UTC, or of duration; °C."""

    pile = models.ForeignKey(Pile, on_delete=models.CASCADE, related_name="probe_heats")
    probe = code_field()
    n_readings = models.PositiveIntegerField()
    logged_h = models.FloatField()
    coverage = models.FloatField()
    max_c = measured()
    mean_c = measured()
    degree_hours = models.FloatField()
    hot_from_h = measured()
    hot_until_h = measured()
    hours_above = ArrayField(models.FloatField(), help_text="beside the thresholds")
    longest_run_h = ArrayField(models.FloatField())
    band_h = ArrayField(models.FloatField(), help_text="beside the bands of the thermal rules")
    band_run_h = ArrayField(models.FloatField())
    outside_from_h = ArrayField(models.FloatField(), default=list, blank=True)
    outside_until_h = ArrayField(models.FloatField(), default=list, blank=True)
    outside_because = ArrayField(models.TextField(), default=list, blank=True)

    class Meta:
        ordering = ["pile", "probe"]
        constraints = [
            models.UniqueConstraint(fields=["pile", "probe"], name="probe_heat_once"),
            models.CheckConstraint(
                condition=Q(coverage__gte=0, coverage__lte=1, logged_h__gte=0, degree_hours__gte=0),
                name="probe_heat_in_range",
            ),
            models.CheckConstraint(
                condition=Q(
                    hours_above__len=F("longest_run_h__len"),
                    band_h__len=F("band_run_h__len"),
                    outside_from_h__len=F("outside_until_h__len"),
                    outside_until_h__len=F("outside_because__len"),
                ),
                name="probe_heat_lists_run_beside_each_other",
            ),
        ]

    def __str__(self) -> str:
        return f"heat at {self.probe}"
