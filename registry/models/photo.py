from django.db import models
from django.db.models import Q

from .people import AccessToken, User
from .retrieval import Retrieval

# A photo or two is what a look needs; more is an album.
MOST_PER_LOOK = 6


class Photo(models.Model):
    """A photo of a look. Its files are kept by their hash; without one when it was withdrawn."""

    retrieval = models.ForeignKey(Retrieval, on_delete=models.PROTECT, related_name="photos")
    position = models.PositiveSmallIntegerField(help_text="1 is the first of its look")
    caption = models.CharField(max_length=200, blank=True, help_text="what is to be seen")
    # Of what was sent, so that the same photo sent again is known; and of what is kept of it.
    sent_sha256 = models.CharField(max_length=64)
    sha256 = models.CharField(max_length=64)
    width_px = models.PositiveSmallIntegerField()
    height_px = models.PositiveSmallIntegerField()
    size_bytes = models.PositiveIntegerField()
    added_at = models.DateTimeField(auto_now_add=True)
    added_by_user = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    added_by_token = models.ForeignKey(
        AccessToken, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_reason = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["retrieval", "position"]
        constraints = [
            models.UniqueConstraint(
                fields=["retrieval", "position"],
                condition=Q(withdrawn_at__isnull=True),
                name="photo_one_in_each_position",
            ),
            models.UniqueConstraint(
                fields=["retrieval", "sent_sha256"],
                condition=Q(withdrawn_at__isnull=True),
                name="photo_once_per_look",
            ),
            models.CheckConstraint(
                condition=Q(position__gte=1, position__lte=MOST_PER_LOOK),
                name="photo_position_in_range",
            ),
            models.CheckConstraint(
                condition=Q(sha256__regex=r"^[0-9a-f]{64}$", sent_sha256__regex=r"^[0-9a-f]{64}$"),
                name="photo_sha256_well_formed",
            ),
            models.CheckConstraint(
                condition=Q(width_px__gte=1, height_px__gte=1, size_bytes__gte=1),
                name="photo_is_not_empty",
            ),
            models.CheckConstraint(
                condition=Q(withdrawn_at__isnull=True, withdrawn_reason="")
                | (Q(withdrawn_at__isnull=False) & ~Q(withdrawn_reason="")),
                name="photo_withdrawn_with_a_reason",
            ),
        ]
        indexes = [
            # The file goes with the last photo that shows it.
            models.Index(fields=["sha256"], name="photo_by_file"),
        ]

    def __str__(self) -> str:
        return f"photo {self.position} of {self.retrieval}"

    @property
    def is_shown(self) -> bool:
        return self.withdrawn_at is None
