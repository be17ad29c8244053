from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from registry.columns import FEEDSTOCKS, PILE_KINDS, PILES, TURNINGS

from .fields import Sent, code_field, code_is_well_formed, constraints_of, measured
from .log_versions import readings_change_the_log
from .site import Site
from .trial import Trial


class Pile(Sent):
    """A compost pile of a trial: the experimental unit. Its code is unique within its site."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="piles")
    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="piles")
    code = code_field()
    kind = models.CharField(max_length=12, choices=[(kind, kind) for kind in PILE_KINDS])
    started_on = models.DateField()
    length_m = measured()
    width_m = measured()
    height_m = measured()
    volume_m3 = measured()
    water_added_l = measured()

    class Meta:
        ordering = ["site__code", "code"]
        constraints = [
            models.UniqueConstraint(fields=["site", "code"], name="pile_code_once_per_site"),
            code_is_well_formed("pile"),
            *constraints_of(PILES),
        ]

    def __str__(self) -> str:
        return self.code


class Feedstock(Sent):
    """One ingredient line of a pile's recipe."""

    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="feedstocks")
    ingredient = models.CharField(max_length=200)
    wet_mass_kg = models.FloatField()
    moisture_pct = measured()
    carbon_pct = measured()
    nitrogen_pct = measured()
    bulk_density_kg_m3 = measured()

    class Meta:
        ordering = ["pile", "ingredient"]
        constraints = [
            models.UniqueConstraint(fields=["pile", "ingredient"], name="ingredient_once_per_pile"),
            *constraints_of(FEEDSTOCKS),
        ]

    def __str__(self) -> str:
        return f"{self.ingredient}, {self.wet_mass_kg:g} kg"


class Turning(Sent):
    """One turning of a pile."""

    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="turnings")
    turned_at = models.DateTimeField()
    water_added_l = measured()
    moisture_pct = measured()
    notes = models.TextField(blank=True, max_length=2000)

    class Meta:
        ordering = ["pile", "turned_at"]
        constraints = [
            models.UniqueConstraint(fields=["pile", "turned_at"], name="turning_once_per_moment"),
            *constraints_of(TURNINGS),
        ]

    def __str__(self) -> str:
        return f"{self.turned_at:%Y-%m-%d %H:%M} UTC"


class ProbeDay(models.Model):
    """The readings of one probe in one pile on one UTC day, with their roll-up.

    A row per reading takes ten times the space and a thermal summary three times as long.
    `seconds` are since midnight UTC, ascending; `celsius` runs beside them.
    """

    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="probe_days")
    probe = code_field()
    day = models.DateField()
    seconds = ArrayField(models.IntegerField())
    celsius = ArrayField(models.FloatField())
    count = models.PositiveIntegerField()
    lowest_c = models.FloatField()
    mean_c = models.FloatField()
    highest_c = models.FloatField()
    uploads = ArrayField(models.BigIntegerField(), default=list)

    class Meta:
        ordering = ["pile", "probe", "day"]
        constraints = [
            models.UniqueConstraint(fields=["pile", "probe", "day"], name="probe_day_once"),
            code_is_well_formed("probe_day", "probe"),
            models.CheckConstraint(
                condition=Q(seconds__len=F("count"), celsius__len=F("count"), count__gte=1),
                name="probe_day_counts_its_readings",
            ),
            models.CheckConstraint(
                condition=Q(lowest_c__gte=-20, highest_c__lte=90, lowest_c__lte=F("highest_c")),
                name="probe_day_temperatures_in_range",
            ),
        ]
        triggers = readings_change_the_log

    def __str__(self) -> str:
        return f"{self.probe} {self.day}"
