from django.db import models
from django.db.models import Q

from .fields import code_field, code_is_well_formed, country_field, country_is_iso, measured, within
from .institution import Institution

# A tenth of a degree of latitude is about 11 km: near enough for climate, not for a garden.
PUBLIC_COORDINATE_DECIMALS = 1


class Site(models.Model):
    """A place with piles; the random effect of every pooled estimate."""

    code = code_field(unique=True)
    institution = models.ForeignKey(Institution, on_delete=models.PROTECT, related_name="sites")
    name = models.CharField(max_length=200)
    country = country_field()
    time_zone = models.CharField(
        max_length=64, help_text="IANA name; naive times of uploads use it"
    )
    latitude = measured()
    longitude = measured()

    class Meta:
        ordering = ["code"]
        constraints = [
            code_is_well_formed("site"),
            country_is_iso("site"),
            within("site", "latitude", -90, 90),
            within("site", "longitude", -180, 180),
            models.CheckConstraint(
                condition=Q(latitude__isnull=True, longitude__isnull=True)
                | Q(latitude__isnull=False, longitude__isnull=False),
                name="site_has_both_coordinates_or_none",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def public_latitude(self) -> float | None:
        return None if self.latitude is None else round(self.latitude, PUBLIC_COORDINATE_DECIMALS)

    @property
    def public_longitude(self) -> float | None:
        return None if self.longitude is None else round(self.longitude, PUBLIC_COORDINATE_DECIMALS)
