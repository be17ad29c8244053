"""A pooling run, from the request to stored estimates, that no crash can lose or double.

The row is the truth. A worker claims it with a lease, extends the lease while it works, and may
store results only while it still holds it; a worker that comes back too late changes nothing.
"""

import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

from django.db import IntegrityError, connection, transaction
from django.db.models import F, Q, QuerySet
from django.db.models.functions import Now

from registry.errors import NothingToPool
from registry.models import PoolingRun, RunState, Trial
from registry.permissions import Actor, Capability, demand
from registry.queries import pooling_input
from registry.science import types as science
from registry.science.explanation_types import Explanation
from registry.science.formulation import contrasted
from registry.science.pooling import MODEL_VERSION, pool_trial
from registry.services import audit, estimate_rows, explanations

# Long enough that a busy machine is not taken for a dead one, short enough that a coordinator does
# not wait long after a crash. The heartbeat extends it three times within its length.
LEASE = timedelta(seconds=30)
MAX_ATTEMPTS = 3


@transaction.atomic
def open_run(*, trial: Trial, by: Actor) -> tuple[PoolingRun, bool]:
    """The run of the present data: the existing one, or a new one, queued."""
    demand(by, Capability.POOL, trial=trial)
    if not pooling_input.has_looks(trial):
        raise NothingToPool(f"No looks at bags have been uploaded for trial {trial.code} yet.")
    run, created = PoolingRun.objects.exclude(state=RunState.FAILED).get_or_create(
        trial=trial,
        input_digest=pooling_input.digest(trial),
        model_version=MODEL_VERSION,
        defaults={"requested_by": by.user},
    )
    if created:
        audit.record("pooling_requested", f"Pooling run {run.pk} requested", by=by, trial=trial)
    return run, created


def execute_run(run_id: int) -> bool:
    """Claim the run, pool, store. False when someone else has it, or took it over meanwhile."""
    lease = _claim(run_id)
    if lease is None:
        return False
    try:
        with _kept_alive(run_id, lease):
            return _pool_and_store(run_id, lease)
    except (science.ScienceError, science.FitDidNotConverge) as problem:
        return _give_up(run_id, lease, str(problem))
    except Exception as problem:
        _hand_back(run_id, lease, f"{type(problem).__name__}: {problem}")
        raise


def fail_exhausted_runs() -> int:
    """Runs whose worker died too often become failed. Returns how many."""
    return PoolingRun.objects.filter(
        state=RunState.RUNNING, lease_until__lt=Now(), attempt__gte=MAX_ATTEMPTS
    ).update(
        state=RunState.FAILED,
        finished_at=Now(),
        error=f"The worker stopped {MAX_ATTEMPTS} times while it worked on this run.",
    )


def runs_to_ring_for(*, quiet_for: timedelta) -> list[int]:
    """Unfinished runs that nobody works on and for which no bell rang lately; marks them rung."""
    waiting = Q(state=RunState.QUEUED) | Q(state=RunState.RUNNING, lease_until__lt=Now())
    unheard = Q(sent_at__isnull=True) | Q(sent_at__lt=Now() - quiet_for)
    with transaction.atomic():
        runs = PoolingRun.objects.select_for_update(skip_locked=True).filter(waiting, unheard)
        ids = list(runs.values_list("pk", flat=True))
        PoolingRun.objects.filter(pk__in=ids).update(sent_at=Now())
    return ids


def _claim(run_id: int) -> uuid.UUID | None:
    lease = uuid.uuid4()
    free = Q(state=RunState.QUEUED) | Q(state=RunState.RUNNING, lease_until__lt=Now())
    claimed = PoolingRun.objects.filter(free, pk=run_id, attempt__lt=MAX_ATTEMPTS).update(
        state=RunState.RUNNING,
        stage="gathering",
        done=0,
        total=0,
        attempt=F("attempt") + 1,
        lease=lease,
        lease_until=Now() + LEASE,
        heartbeat_at=Now(),
        started_at=Now(),
    )
    return lease if claimed else None


def _held(run_id: int, lease: uuid.UUID) -> QuerySet[PoolingRun]:
    return PoolingRun.objects.filter(pk=run_id, state=RunState.RUNNING, lease=lease)


@contextmanager
def _kept_alive(run_id: int, lease: uuid.UUID) -> Iterator[None]:
    """Extend the lease from a second thread, on a connection of its own, while the block runs."""
    stop = threading.Event()

    def beat() -> None:
        try:
            while not stop.wait(LEASE.total_seconds() / 3):
                _held(run_id, lease).update(lease_until=Now() + LEASE, heartbeat_at=Now())
        finally:
            connection.close()

    thread = threading.Thread(target=beat, name=f"heartbeat-{run_id}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def _pool_and_store(run_id: int, lease: uuid.UUID) -> bool:
    run = PoolingRun.objects.select_related("trial").get(pk=run_id)
    digest, gathered = _gather_what_the_digest_names(run.trial)

    def on_step(stage: str, done: int, total: int) -> None:
        _held(run_id, lease).update(stage=stage, done=done, total=total, heartbeat_at=Now())

    estimates = pool_trial(
        gathered.looks,
        primary_day=gathered.primary_day,
        schedule_days=gathered.schedule_days,
        window_days=gathered.window_days,
        reference_material=gathered.reference_material,
        families=contrasted(gathered.materials),
        on_step=on_step,
    )
    on_step("explanations", 0, 1)
    explained = explanations.explain(gathered, estimates)
    on_step("explanations", 1, 1)
    return _finish(run, lease, digest, estimates, explained)


def _gather_what_the_digest_names(trial: Trial) -> tuple[str, pooling_input.PoolingInput]:
    """Gather until nothing changed meanwhile; an upload in between only costs another look."""
    digest = pooling_input.digest(trial)
    while True:
        gathered = pooling_input.gather(trial)
        before, digest = digest, pooling_input.digest(trial)
        if digest == before:
            return digest, gathered


def _finish(
    run: PoolingRun,
    lease: uuid.UUID,
    digest: str,
    estimates: tuple[science.PooledEstimate, ...],
    explained: tuple[Explanation, ...],
) -> bool:
    try:
        with transaction.atomic():
            mine = _held(run.pk, lease).update(
                state=RunState.DONE,
                stage="stored",
                input_digest=digest,
                finished_at=Now(),
                lease=None,
                lease_until=None,
                error="",
            )
            if mine:
                estimate_rows.store(run, estimates)
                explanations.store(run, explained)
    except IntegrityError:
        if not PoolingRun.objects.filter(
            trial=run.trial, input_digest=digest, model_version=run.model_version
        ).exists():
            raise
        return _give_up(run.pk, lease, "The data changed; another run has pooled them already.")
    return bool(mine)


def _give_up(run_id: int, lease: uuid.UUID, why: str) -> bool:
    """The data cannot be pooled: trying again would say the same."""
    failed = _held(run_id, lease).update(
        state=RunState.FAILED, error=why[:1000], finished_at=Now(), lease=None, lease_until=None
    )
    return bool(failed)


def _hand_back(run_id: int, lease: uuid.UUID, why: str) -> None:
    """Something unforeseen: back to the queue, or failed after the last attempt."""
    run = _held(run_id, lease)
    last = run.filter(attempt__gte=MAX_ATTEMPTS)
    if not last.update(state=RunState.FAILED, error=why[:1000], finished_at=Now()):
        run.update(state=RunState.QUEUED, error=why[:1000], lease=None, lease_until=None)
