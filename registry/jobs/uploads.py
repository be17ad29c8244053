"""Uploads that are checked and stored in the background."""

import logging
from datetime import timedelta
from functools import partial

from celery import shared_task
from django.db import transaction
from kombu.exceptions import OperationalError

from registry.jobs.reviews import ring_if_due
from registry.models import Upload
from registry.permissions import Actor
from registry.services.uploads import accept, process, submit, waiting

log = logging.getLogger(__name__)

SOFT_LIMIT_SECONDS = 900
QUIET = timedelta(seconds=20)


def store_upload(
    *, kind: str, body: bytes, content_type: str, by: Actor, file_name: str = ""
) -> Upload:
    """Store the rows now; the review of a large file is left to the workers."""
    upload = submit(kind=kind, body=body, content_type=content_type, by=by, file_name=file_name)
    ring_if_due(upload)
    return upload


def request_upload(
    *, kind: str, body: bytes, content_type: str, by: Actor, file_name: str = ""
) -> Upload:
    """Keep the body, queue the work, answer at once."""
    with transaction.atomic():
        upload = accept(kind=kind, body=body, content_type=content_type, by=by, file_name=file_name)
        transaction.on_commit(partial(ring, upload.pk))
    return upload


def ring(upload_id: int) -> None:
    try:
        process_upload.delay(upload_id)
    except (OperationalError, OSError) as problem:
        log.warning("The broker did not take upload %s: %s", upload_id, problem)


@shared_task(soft_time_limit=SOFT_LIMIT_SECONDS)
def process_upload(upload_id: int) -> None:
    ring_if_due(process(upload_id))


def ring_for_waiting_uploads() -> int:
    """Ring for every upload that has waited a while. Returns how many."""
    unheard = waiting(older_than=QUIET)
    for upload_id in unheard:
        ring(upload_id)
    return len(unheard)
