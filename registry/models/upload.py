from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from registry.columns import UPLOAD_KINDS

from .people import AccessToken, User
from .site import Site
from .trial import Trial


class UploadState(models.TextChoices):
    QUEUED = "queued", "queued"
    RUNNING = "running", "running"
    STORED = "stored", "stored"
    REJECTED = "rejected", "rejected"


class ReviewState(models.TextChoices):
    """Of the quality rules over the stored rows; `none` when no rule reads rows of this kind."""

    NONE = "none", "none"
    WAITING = "waiting", "waiting"
    DONE = "done", "done"


class Upload(models.Model):
    """One bulk submission: what came, from whom, and what became of it. All its rows, or none."""

    kind = models.CharField(max_length=16, choices=[(kind, kind) for kind in UPLOAD_KINDS])
    state = models.CharField(max_length=10, choices=UploadState, default=UploadState.STORED)
    sha256 = models.CharField(max_length=64)
    content_type = models.CharField(max_length=100)
    size_bytes = models.PositiveBigIntegerField()
    file_name = models.CharField(max_length=200, blank=True)
    rows = models.PositiveIntegerField(default=0)
    created = models.PositiveIntegerField(default=0)
    unchanged = models.PositiveIntegerField(default=0)
    error_total = models.PositiveIntegerField(default=0)
    site = models.ForeignKey(
        Site, null=True, blank=True, on_delete=models.PROTECT, related_name="uploads"
    )
    # Known once the rows are: set when they are all of one trial.
    trial = models.ForeignKey(
        Trial, null=True, blank=True, on_delete=models.PROTECT, related_name="uploads"
    )
    token = models.ForeignKey(
        AccessToken, null=True, blank=True, on_delete=models.SET_NULL, related_name="uploads"
    )
    user = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.SET_NULL, related_name="uploads"
    )
    review = models.CharField(max_length=7, choices=ReviewState, default=ReviewState.NONE)
    # Ids of the piles whose rules are still to be run.
    review_piles = ArrayField(models.BigIntegerField(), default=list, blank=True)
    idempotency_key = models.CharField(max_length=100, blank=True)
    received_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=UploadState.values), name="upload_state_known"
            ),
            models.CheckConstraint(
                condition=Q(kind__in=list(UPLOAD_KINDS)), name="upload_kind_known"
            ),
            models.CheckConstraint(
                condition=Q(sha256__regex=r"^[0-9a-f]{64}$"), name="upload_sha256_well_formed"
            ),
            models.CheckConstraint(
                condition=~Q(state="stored") | Q(rows=models.F("created") + models.F("unchanged")),
                name="upload_accounts_for_every_row",
            ),
            models.CheckConstraint(
                condition=~Q(state="rejected") | Q(created=0, unchanged=0, error_total__gte=1),
                name="upload_rejected_stored_nothing",
            ),
            models.CheckConstraint(
                condition=Q(review__in=("none", "done"), review_piles__len=0)
                | Q(review="waiting", state="stored", review_piles__len__gte=1),
                name="upload_waits_for_a_review_of_piles",
            ),
        ]
        indexes = [
            models.Index(fields=["id"], condition=Q(review="waiting"), name="upload_to_review")
        ]

    def __str__(self) -> str:
        return f"{self.kind} upload {self.pk}"


class UploadFault(models.Model):
    """One fault of a refused upload, up to the first thousand."""

    upload = models.ForeignKey(Upload, on_delete=models.CASCADE, related_name="faults")
    row = models.PositiveIntegerField(null=True, blank=True)
    field = models.CharField(max_length=60, blank=True)
    code = models.CharField(max_length=60)
    message = models.CharField(max_length=500)
    value = models.CharField(max_length=200, null=True, blank=True)  # noqa: DJ001 – blank cell or no cell

    class Meta:
        ordering = ["upload", "id"]

    def __str__(self) -> str:
        return f"row {self.row}: {self.message}"


class IdempotencyRecord(models.Model):
    """The first answer to a request that carried an idempotency key, so a retry gets it again."""

    actor = models.CharField(max_length=60, help_text="whose key: the actor's reference")
    key = models.CharField(max_length=100)
    request_sha256 = models.CharField(max_length=64, help_text="of method, path, query and body")
    status = models.PositiveSmallIntegerField()
    # The one JSON column: a verbatim answer, kept to be given again.
    answer = models.JSONField()
    answered_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(fields=["actor", "key"], name="idempotency_key_once_per_actor"),
        ]

    def __str__(self) -> str:
        return self.key
