"""Pooling in the background: ask for a run, and the task that executes it."""

import logging
from datetime import timedelta
from functools import partial

from celery import shared_task
from django.db import transaction
from kombu.exceptions import OperationalError

from registry.jobs import figures, pile_curves
from registry.models import PoolingRun, Trial
from registry.permissions import Actor
from registry.services import pooling

log = logging.getLogger(__name__)

# A run of the largest trial we know takes a minute on two cores.
SOFT_LIMIT_SECONDS = 900
# Do not ring again for a run whose message may still be on its way.
QUIET = timedelta(seconds=20)


def request_pooling(*, trial: Trial, by: Actor) -> tuple[PoolingRun, bool]:
    """The run of the present data, and whether it is new; a new one is sent to the workers."""
    with transaction.atomic():
        run, created = pooling.open_run(trial=trial, by=by)
        if created:
            transaction.on_commit(partial(ring, run.pk))
    return run, created


def ring(run_id: int) -> None:
    """Tell the workers. A broker that is down loses nothing: the sweep rings again."""
    try:
        run_pooling.delay(run_id)
    except (OperationalError, OSError) as problem:
        log.warning("The broker did not take pooling run %s: %s", run_id, problem)


@shared_task(soft_time_limit=SOFT_LIMIT_SECONDS)
def run_pooling(run_id: int) -> None:
    """Pool and store; the figures are drawn after that, when readers have the numbers already."""
    if pooling.execute_run(run_id):
        figures.ring(run_id)
        pile_curves.ring(run_id)


def ring_for_waiting_runs() -> int:
    """Ring for every run that waits or whose worker died. Returns how many."""
    pooling.fail_exhausted_runs()
    waiting = pooling.runs_to_ring_for(quiet_for=QUIET)
    for run_id in waiting:
        ring(run_id)
    return len(waiting)
