from django.db import models
from django.db.models import Q

from .immutable import never_changed
from .material import Material
from .people import User
from .pooled_estimate import PooledEstimate
from .pooling_run import PoolingRun
from .trial import Trial

BANDS = ("gone", "nearly_gone", "still_in_pieces", "little_change", "not_enough_evidence")
CONFIDENCES = ("none", "low", "fair", "good")


class Release(models.Model):
    """A trial's data and estimates, frozen under a version number."""

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="releases")
    version = models.PositiveIntegerField()
    run = models.ForeignKey(PoolingRun, on_delete=models.PROTECT, related_name="releases")
    licence = models.CharField(max_length=40)
    notes = models.TextField(blank=True, max_length=2000)
    package_name = models.CharField(max_length=200)
    package_sha256 = models.CharField(max_length=64)
    package_bytes = models.PositiveBigIntegerField()
    n_rows = models.PositiveIntegerField()
    # Rows of later uploads are not part of this release, and not public through it.
    last_upload_id = models.BigIntegerField(default=0)
    created_by = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    created_at = models.DateTimeField()

    class Meta:
        ordering = ["trial__code", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["trial", "version"], name="release_version_once"),
            models.CheckConstraint(condition=Q(version__gte=1), name="release_version_from_one"),
            models.CheckConstraint(
                condition=Q(package_sha256__regex=r"^[0-9a-f]{64}$"),
                name="release_sha256_well_formed",
            ),
        ]
        triggers = never_changed("release")

    def __str__(self) -> str:
        return f"{self.trial.code} version {self.version}"


class ReleaseNotice(models.Model):
    """A word of warning on a release that must not be used as if nothing were wrong with it.

    The release itself never changes; the notice stands beside it wherever it is shown.
    """

    release = models.ForeignKey(Release, on_delete=models.PROTECT, related_name="notices")
    message = models.CharField(max_length=1000)
    posted_at = models.DateTimeField(auto_now_add=True)
    posted_by = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=~Q(message=""), name="release_notice_says_something"),
        ]
        triggers = never_changed("release_notice")

    def __str__(self) -> str:
        return self.message


class Rating(models.Model):
    """The plain-language reading of a release, for one material and one heat class."""

    release = models.ForeignKey(Release, on_delete=models.PROTECT, related_name="ratings")
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="ratings")
    pooled = models.ForeignKey(
        PooledEstimate, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    heat_class = models.CharField(max_length=8, default="all")
    band = models.CharField(max_length=20, choices=[(band, band) for band in BANDS])
    confidence = models.CharField(max_length=8, choices=[(word, word) for word in CONFIDENCES])
    chance_84 = models.FloatField(null=True, blank=True)
    chance_180 = models.FloatField(null=True, blank=True)
    typical_days = models.FloatField(null=True, blank=True)
    typical_days_low = models.FloatField(null=True, blank=True)
    typical_days_high = models.FloatField(null=True, blank=True)
    n_sites = models.PositiveIntegerField()
    n_piles = models.PositiveIntegerField()
    n_bags = models.PositiveIntegerField()
    sentence = models.CharField(max_length=500)

    class Meta:
        ordering = ["release", "material__code", "heat_class"]
        constraints = [
            models.UniqueConstraint(
                fields=["release", "material", "heat_class"], name="rating_once_per_release"
            ),
            models.CheckConstraint(condition=Q(band__in=BANDS), name="rating_band_known"),
        ]
        triggers = never_changed("rating")

    def __str__(self) -> str:
        return self.sentence
