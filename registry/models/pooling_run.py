from django.db import models
from django.db.models import Q

from .people import User
from .trial import Trial


class RunState(models.TextChoices):
    QUEUED = "queued", "queued"
    RUNNING = "running", "running"
    DONE = "done", "done"
    FAILED = "failed", "failed"


class CurvesState(models.TextChoices):
    WAITING = "waiting", "waiting"
    DONE = "done", "done"
    # The data moved on before every pile was fitted; the next run has its own.
    OUTDATED = "outdated", "outdated"
    FAILED = "failed", "failed"


class PoolingRun(models.Model):
    """One pooling of a trial's data. This row is the truth; the broker only rings the bell.

    A worker claims it by writing `lease` and `lease_until`; only the holder of the lease finishes.
    """

    trial = models.ForeignKey(Trial, on_delete=models.PROTECT, related_name="pooling_runs")
    input_digest = models.CharField(max_length=64)
    model_version = models.CharField(max_length=20)
    state = models.CharField(max_length=8, choices=RunState, default=RunState.QUEUED)
    stage = models.CharField(max_length=40, blank=True)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    attempt = models.PositiveSmallIntegerField(default=0)
    lease = models.UUIDField(null=True, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    heartbeat_at = models.DateTimeField(null=True, blank=True)
    error = models.CharField(max_length=1000, blank=True)
    requested_by = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    requested_at = models.DateTimeField(auto_now_add=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    # The curves of each pile and material, fitted after the run has finished.
    curves = models.CharField(max_length=8, choices=CurvesState, default=CurvesState.WAITING)
    curves_failures = models.PositiveSmallIntegerField(default=0)
    curves_sent_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=Q(state__in=RunState.values), name="run_state_known"),
            models.CheckConstraint(
                condition=Q(curves__in=CurvesState.values), name="run_curves_state_known"
            ),
            # Same data, same run: a failed one may be tried again as a new run.
            models.UniqueConstraint(
                fields=["trial", "input_digest", "model_version"],
                condition=~Q(state="failed"),
                name="run_once_per_data_and_model",
            ),
            models.CheckConstraint(
                condition=~Q(state="running")
                | Q(lease__isnull=False, lease_until__isnull=False, attempt__gte=1),
                name="run_running_is_leased",
            ),
            models.CheckConstraint(
                condition=~Q(state="failed") | ~Q(error=""), name="run_failed_says_why"
            ),
        ]
        indexes = [
            models.Index(
                fields=["lease_until"],
                condition=Q(state__in=["queued", "running"]),
                name="run_unfinished",
            )
        ]

    def __str__(self) -> str:
        return f"pooling run {self.pk} of {self.trial_id}"
