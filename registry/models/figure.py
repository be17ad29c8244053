from django.db import models
from django.db.models import Q

from .pooled_estimate import PooledEstimate


class Figure(models.Model):
    """A drawn figure of one estimate, kept so that no page draws while a reader waits.

    Nothing here is a record: a figure can be drawn again from its estimate, which never changes.
    Both drawings are blank where the estimate does not carry the figure.
    """

    pooled = models.ForeignKey(PooledEstimate, on_delete=models.CASCADE, related_name="figures")
    name = models.CharField(max_length=24)
    language = models.CharField(max_length=10)
    drawing = models.PositiveSmallIntegerField(help_text="version of the way it is drawn")
    wide = models.TextField(blank=True, help_text="SVG for a wide screen")
    narrow = models.TextField(blank=True, help_text="SVG for a phone")

    class Meta:
        ordering = ["pooled", "name", "language"]
        constraints = [
            models.UniqueConstraint(fields=["pooled", "name", "language"], name="figure_once"),
            models.CheckConstraint(
                condition=Q(wide="", narrow="") | (~Q(wide="") & ~Q(narrow="")),
                name="figure_for_both_widths_or_none",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} of estimate {self.pooled_id}"
