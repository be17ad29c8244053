from django.db import models
from django.db.models import Q

from .fields import code_field, code_is_well_formed, country_field, country_is_iso


class Institution(models.Model):
    """A cooperating organisation."""

    code = code_field(unique=True)
    name = models.CharField(max_length=200)
    country = country_field()
    ror = models.CharField(max_length=40, blank=True, help_text="ROR identifier, as a URL")

    class Meta:
        ordering = ["code"]
        constraints = [
            code_is_well_formed("institution"),
            country_is_iso("institution"),
            models.CheckConstraint(
                condition=Q(ror="")
                | Q(ror__regex=r"^https://ror\.org/0[a-hj-km-np-tv-z0-9]{6}[0-9]{2}$"),
                name="institution_ror_well_formed",
            ),
        ]

    def __str__(self) -> str:
        return self.name
