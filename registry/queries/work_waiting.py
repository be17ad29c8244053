"""What waits for a worker, over the whole registry, and whether anybody is at it."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Count, Min, Q
from django.utils import timezone

from registry.models import PoolingRun, RunState, Upload, UploadState

# A worker hears its bell at once, and the sweep rings again every few seconds.
BEHIND_AFTER = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class WorkWaiting:
    """`since` is when the oldest waiting piece was asked for; `n_running` are in hand."""

    n_runs: int
    n_uploads: int
    n_running: int
    since: datetime | None
    age: timedelta

    @property
    def n(self) -> int:
        return self.n_runs + self.n_uploads

    @property
    def is_behind(self) -> bool:
        return self.age > BEHIND_AFTER


def work_waiting(now: datetime | None = None) -> WorkWaiting:
    """Two queries, whoever asks: counts and an age, nothing about whose work it is."""
    now = now or timezone.now()
    forgotten = Q(state=RunState.RUNNING, lease_until__lt=now)
    waiting = Q(state=RunState.QUEUED) | forgotten
    runs = PoolingRun.objects.aggregate(
        n=Count("pk", filter=waiting),
        since=Min("requested_at", filter=waiting),
        running=Count("pk", filter=Q(state=RunState.RUNNING, lease_until__gte=now)),
    )
    uploads = Upload.objects.filter(state=UploadState.QUEUED).aggregate(
        n=Count("pk"), since=Min("received_at")
    )
    moments = [found["since"] for found in (runs, uploads) if found["since"] is not None]
    since = min(moments, default=None)
    age = timedelta() if since is None else now - since
    return WorkWaiting(runs["n"], uploads["n"], runs["running"], since, age)
