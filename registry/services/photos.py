"""Photos of looks: added by the lab, once each; withdrawn with a reason, and then their file goes.

A photo is seen by whoever sees its look. It is no measurement: nothing is pooled from it, no
release holds it, and so one that should not be there can really be removed.
"""

import hashlib
from functools import partial
from pathlib import Path

import pghistory
from django.db import transaction
from django.utils import timezone

from registry.errors import InvalidValue, NotFound, TooManyPhotos
from registry.intake import photo_files
from registry.intake.photos import CleanPhoto, clean
from registry.models import Photo, Retrieval
from registry.models.photo import MOST_PER_LOOK
from registry.permissions import Actor, Capability, demand
from registry.services import audit

LONGEST_CAPTION = 200
LONGEST_REASON = 500


def add_photo(
    *, retrieval: Retrieval, body: bytes, by: Actor, caption: str = ""
) -> tuple[Photo, bool]:
    """A photo of a look, and whether it is new; the same bytes again are the same photo.

    Raises NotAPhoto, PhotoTooLarge, TooManyPhotos, InvalidValue, NotAllowed.
    """
    pile = retrieval.bag.pile
    demand(by, Capability.SUBMIT, site=pile.site, trial=pile.trial)
    caption = _printable("caption", caption, LONGEST_CAPTION)
    return _store(retrieval, clean(body), hashlib.sha256(body).hexdigest(), caption, by)


@transaction.atomic
def _store(
    retrieval: Retrieval, photo: CleanPhoto, sent_sha256: str, caption: str, by: Actor
) -> tuple[Photo, bool]:
    # Two photos of one look take their places one after the other.
    Retrieval.objects.select_for_update(of=("self",)).get(pk=retrieval.pk)
    shown = Photo.objects.filter(retrieval=retrieval, withdrawn_at__isnull=True)
    known = shown.filter(sent_sha256=sent_sha256).first()
    if known is not None:
        return known, False
    taken = set(shown.values_list("position", flat=True))
    free = [place for place in range(1, MOST_PER_LOOK + 1) if place not in taken]
    if not free:
        raise TooManyPhotos(
            f"A look has at most {MOST_PER_LOOK} photos; withdraw one first.", field="photo"
        )
    found = Photo.objects.create(
        retrieval=retrieval,
        position=free[0],
        caption=caption,
        sent_sha256=sent_sha256,
        sha256=photo_files.keep(photo),
        width_px=photo.width_px,
        height_px=photo.height_px,
        size_bytes=len(photo.photo),
        added_by_user=by.user,
        added_by_token=by.token,
    )
    audit.record("photo_added", f"{retrieval}: photo {found.pk}", by, retrieval.bag.trial)
    return found, True


@transaction.atomic
def withdraw_photo(*, photo: Photo, reason: str, by: Actor) -> Photo:
    """Show a photo no more and remove its file; that it was there stays on record.

    Withdrawing again changes nothing.
    """
    pile = photo.retrieval.bag.pile
    demand(by, Capability.CORRECT, site=pile.site, trial=pile.trial)
    why = _printable("reason", reason, LONGEST_REASON)
    if not why:
        raise InvalidValue("Give a reason; a later reader will ask for it.", field="reason")
    photo = Photo.objects.select_for_update(of=("self",)).get(pk=photo.pk)
    if photo.withdrawn_at is not None:
        return photo
    photo.withdrawn_at, photo.withdrawn_reason = timezone.now(), why
    with pghistory.context(action="photo withdrawn", actor=by.label):
        photo.save(update_fields=["withdrawn_at", "withdrawn_reason"])
    audit.record("photo_withdrawn", f"{photo.retrieval}: photo {photo.pk}: {why}", by, pile.trial)
    transaction.on_commit(partial(_erase_unless_shown, photo.sha256))
    return photo


def file_of(photo: Photo, size: str = photo_files.PHOTO) -> Path:
    """The file of a photo or of its thumbnail; raises NotFound when it was withdrawn."""
    path = photo_files.path_of(photo.sha256, size)
    if not photo.is_shown or not path.exists():
        raise NotFound("This photo is no longer kept.")
    return path


def _erase_unless_shown(sha256: str) -> None:
    """The same picture may belong to another look as well."""
    if not Photo.objects.filter(sha256=sha256, withdrawn_at__isnull=True).exists():
        photo_files.erase(sha256)


def _printable(name: str, text: str, longest: int) -> str:
    text = " ".join(text.split())
    if len(text) > longest:
        raise InvalidValue(f"Give the {name} in at most {longest} characters.", field=name)
    if not text.isprintable():
        raise InvalidValue(f"The {name} holds a character that does not print.", field=name)
    return text
