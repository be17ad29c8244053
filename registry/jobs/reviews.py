"""Quality rules over the rows of a large upload, right after it was stored."""

import logging
from datetime import timedelta
from functools import partial

from celery import shared_task
from django.db import transaction
from kombu.exceptions import OperationalError

from registry.models import ReviewState, Upload
from registry.services import reviews

log = logging.getLogger(__name__)

SOFT_LIMIT_SECONDS = 900
QUIET = timedelta(seconds=20)


def ring_if_due(upload: Upload) -> None:
    """Tell the workers, once the upload is committed, when its rows wait for a review."""
    if upload.review == ReviewState.WAITING:
        transaction.on_commit(partial(ring, upload.pk))


def ring(upload_id: int) -> None:
    """A broker that is down loses nothing: the sweep rings again."""
    try:
        review_upload.delay(upload_id)
    except (OperationalError, OSError) as problem:
        log.warning("The broker did not take the review of upload %s: %s", upload_id, problem)


@shared_task(soft_time_limit=SOFT_LIMIT_SECONDS)
def review_upload(upload_id: int) -> None:
    reviews.catch_up(upload_id)


def ring_for_waiting_reviews() -> int:
    """Ring for every review that has waited a while. Returns how many."""
    forgotten = reviews.waiting(older_than=QUIET)
    for upload_id in forgotten:
        ring(upload_id)
    return len(forgotten)
