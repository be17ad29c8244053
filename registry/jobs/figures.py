"""Figures drawn in the background, so that a page only reads them."""

import logging

from celery import shared_task
from kombu.exceptions import OperationalError

from registry.services import figures

log = logging.getLogger(__name__)

SOFT_LIMIT_SECONDS = 900


def ring(run_id: int) -> None:
    """A broker that is down loses nothing: the sweep rings again."""
    try:
        draw_figures.delay(run_id)
    except (OperationalError, OSError) as problem:
        log.warning("The broker did not take the figures of run %s: %s", run_id, problem)


@shared_task(soft_time_limit=SOFT_LIMIT_SECONDS)
def draw_figures(run_id: int) -> None:
    figures.draw_run(run_id)


def ring_for_undrawn_runs() -> int:
    """Ring for every run whose figures are missing; a ring too many finds nothing to draw."""
    waiting = figures.undrawn_runs()
    for run_id in waiting:
        ring(run_id)
    return len(waiting)
