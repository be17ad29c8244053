"""Decay curves of each pile and material, fitted in the background after a pooling run."""

import logging
from datetime import timedelta

from celery import shared_task
from kombu.exceptions import OperationalError

from registry.services import pile_curves
from registry.services.pile_curves import Progress

log = logging.getLogger(__name__)

# A batch ends by itself after a fraction of this.
SOFT_LIMIT_SECONDS = 300
QUIET = timedelta(seconds=60)


def ring(run_id: int) -> None:
    """A broker that is down loses nothing: the sweep rings again."""
    try:
        fit_pile_curves.delay(run_id)
    except (OperationalError, OSError) as problem:
        log.warning("The broker did not take the curves of run %s: %s", run_id, problem)


@shared_task(soft_time_limit=SOFT_LIMIT_SECONDS)
def fit_pile_curves(run_id: int) -> None:
    """One batch; rings for the next, so that other work gets its turn."""
    if pile_curves.fit_batch(run_id) is Progress.MORE:
        ring(run_id)


def ring_for_waiting_curves() -> int:
    """Ring for every finished run that waits for curves. Returns how many."""
    waiting = pile_curves.runs_to_ring_for(quiet_for=QUIET)
    for run_id in waiting:
        ring(run_id)
    return len(waiting)
