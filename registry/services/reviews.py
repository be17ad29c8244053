"""The review that an upload is due: at once for a few rows, in the background for many.

A review reads every look of the piles it touches, so that of a large file takes as long as checking
the file. The upload's row says that it waits, and for which piles, until it is done.
"""

from collections.abc import Sequence
from datetime import timedelta

from django.db import transaction
from django.utils import timezone

from registry.intake import locks
from registry.models import Pile, ReviewState, Trial, Upload
from registry.permissions import Actor
from registry.services import flags

# What a person types or a logger holds of a few days is reviewed before the answer.
ROWS_AT_ONCE = 2_000


def note_due(upload: Upload, pile_ids: Sequence[int]) -> None:
    """Write on a new upload, not yet saved, whether its rows wait for a review."""
    if not (upload.created and pile_ids and upload.kind in flags.REVIEWED_KINDS):
        return
    if upload.created > ROWS_AT_ONCE:
        upload.review, upload.review_piles = ReviewState.WAITING, list(pile_ids)
    else:
        upload.review = ReviewState.DONE


@transaction.atomic
def catch_up(upload_id: int) -> bool:
    """Review an upload that waits; False when it does not, or another worker is on it."""
    if not locks.take_upload(upload_id):
        return False
    rows = Upload.objects.select_related("user", "token__site", "site")
    upload = rows.filter(pk=upload_id, review=ReviewState.WAITING).first()
    if upload is None:
        return False
    piles = Pile.objects.filter(pk__in=upload.review_piles)
    # As an upload does: two reviews of one pile, or one beside an upload, would raise flags twice.
    locks.share_trials(piles.values_list("trial_id", flat=True))
    locks.hold_sites(piles.values_list("site_id", flat=True))
    flags.review_upload(upload.kind, upload.review_piles, sender_of(upload))
    Upload.objects.filter(pk=upload_id).update(review=ReviewState.DONE, review_piles=[])
    return True


def catch_up_trial(trial: Trial) -> None:
    """Do every review that waits for piles of a trial, before its flags are published."""
    piles = list(trial.piles.values_list("pk", flat=True))
    waiting = Upload.objects.filter(review=ReviewState.WAITING, review_piles__overlap=piles)
    for upload_id in waiting.order_by("pk").values_list("pk", flat=True):
        catch_up(upload_id)


def waiting(*, older_than: timedelta) -> list[int]:
    """Ids of uploads that were stored a while ago and not reviewed, oldest first."""
    forgotten = Upload.objects.filter(
        review=ReviewState.WAITING, finished_at__lt=timezone.now() - older_than
    )
    return list(forgotten.order_by("pk").values_list("pk", flat=True))


def sender_of(upload: Upload) -> Actor:
    """Who sent it, as far as is known."""
    site = upload.site if upload.user_id is None else None
    return Actor(user=upload.user, site=site, token=upload.token)
