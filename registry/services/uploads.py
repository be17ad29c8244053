"""Uploads: all rows of a file or none, every fault at once, the same again harmless."""

import json
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import timedelta

import pghistory
from django.conf import settings
from django.db.models import Model
from django.utils import timezone

from registry.columns import UPLOAD_KINDS, UploadKind
from registry.errors import (
    BodyTooLarge,
    Fault,
    NotAllowed,
    NotFound,
    RecordChanged,
    UnreadableBody,
    UploadRefused,
)
from registry.intake import bodies, locks
from registry.intake.body import JSON, format_of
from registry.intake.faults import FaultBook
from registry.intake.labels import Sender
from registry.intake.parse import read_fast, read_fully, read_one
from registry.intake.pipeline import Prepared, prepare
from registry.models import Release, ReviewState, Upload, UploadState
from registry.permissions import Actor, Capability, can
from registry.services import audit, flags, refusals, reviews
from registry.services.annotated import original
from registry.services.turns import in_turn

REFUSALS = (UploadRefused, UnreadableBody)
ANYONES_KINDS = ("materials", "compositions")


def submit(
    *,
    kind: str,
    body: bytes,
    content_type: str,
    by: Actor,
    file_name: str = "",
    dry_run: bool = False,
) -> Upload:
    """Store every row of a body, or none and say why.

    Raises UnreadableBody, UploadRefused, BodyTooLarge, UnsupportedFormat, NotAllowed. A refused
    body is remembered as a rejected upload, named by the error's `upload_id`; a dry run remembers
    nothing and returns an unsaved upload with the same numbers.
    """
    sent = _Sent(_kind_for(kind, by), body, content_type, by, file_name)
    format_of(content_type)
    if dry_run:
        return _counted(sent.draft(), _prepare(sent, lock=False))
    try:
        return _store(sent)
    except REFUSALS as error:
        error.upload_id = refusals.remember(sent.draft(), error)
        raise


def submit_one(
    *, kind: str, values: Mapping[str, object], by: Actor, file_name: str = ""
) -> tuple[Model, bool]:
    """Store one record, as an upload of one row; returns it and whether it is new.

    Raises RecordChanged when its key is stored with other values, else as `submit` does.
    """
    body = json.dumps([dict(values)], sort_keys=True, default=str).encode()
    sent = _Sent(_kind_for(kind, by), body, JSON, by, file_name)
    try:
        return in_turn(lambda: _store_one(sent, values))
    except UploadRefused as error:
        if all(fault.code.endswith("_changed") for fault in error.faults):
            fault = error.faults[0]
            raise RecordChanged(
                fault.message, code=fault.code, field=fault.field, faults=error.faults
            ) from error
        raise


def accept(*, kind: str, body: bytes, content_type: str, by: Actor, file_name: str = "") -> Upload:
    """Keep the body and queue it as an upload; `process` does the rest."""
    format_of(content_type)
    upload = _Sent(_kind_for(kind, by), body, content_type, by, file_name).draft()
    upload.state = UploadState.QUEUED
    bodies.keep(body)
    upload.save()
    return upload


def process(upload_id: int) -> Upload:
    """Store or reject a queued upload. Called twice, or after a worker died, it works once."""
    if not Upload.objects.filter(pk=upload_id).exists():
        raise NotFound(f"There is no upload {upload_id}.")
    Upload.objects.filter(pk=upload_id, state=UploadState.QUEUED).update(state=UploadState.RUNNING)
    try:
        in_turn(lambda: _process_claimed(upload_id))
    except (*REFUSALS, BodyTooLarge, NotAllowed, NotFound) as error:
        refusals.reject(upload_id, error)
    return Upload.objects.get(pk=upload_id)


def waiting(*, older_than: timedelta) -> list[int]:
    """Ids of uploads that were accepted a while ago and are not finished, oldest first."""
    return list(
        Upload.objects.filter(
            state__in=(UploadState.QUEUED, UploadState.RUNNING),
            received_at__lt=timezone.now() - older_than,
        )
        .order_by("id")
        .values_list("pk", flat=True)
    )


def _kind_for(name: str, by: Actor) -> UploadKind:
    """The kind of upload; raises NotFound, or NotAllowed when the actor may send none of it."""
    kind = UPLOAD_KINDS.get(name)
    if kind is None:
        raise NotFound(f"There is no kind of upload called {name[:60]!r}.")
    capability = Capability.PROPOSE_MATERIAL if name in ANYONES_KINDS else Capability.SUBMIT
    # A coordinator may send for the sites of their trials; which rows, is asked row by row.
    if not (can(by, capability) or by.is_coordinator):
        raise NotAllowed(f"You may not {capability.value}. Use a lab's or a coordinator's token.")
    return kind


@dataclass(frozen=True, slots=True)
class _Sent:
    """One body on its way in."""

    kind: UploadKind
    body: bytes
    content_type: str
    by: Actor
    file_name: str

    def draft(self) -> Upload:
        """A fresh upload row, not yet saved."""
        return Upload(
            kind=self.kind.name,
            state=UploadState.RUNNING,
            sha256=bodies.digest_of(self.body),
            content_type=self.content_type[:100],
            size_bytes=len(self.body),
            file_name=_plain(self.file_name)[:200],
            site=self.by.site,
            user=self.by.user,
            token=self.by.token,
        )


def _plain(name: str) -> str:
    """A file's name without folders or characters that do not print."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(character for character in last if character.isprintable())


def _prepare(sent: _Sent, *, lock: bool) -> Prepared:
    """Check the body the fast way; when anything is wrong, the way that tells everything."""
    format_, now = format_of(sent.content_type), timezone.now()
    most_rows = settings.MAX_UPLOAD_ROWS
    fast = read_fast(sent.body, format_, sent.kind, most_rows)
    if fast is not None:
        try:
            return prepare(fast, FaultBook(), Sender(sent.by, now), lock=lock)
        except (UploadRefused, NotAllowed):
            del fast  # once more with the text of the cells, to quote them
    book = FaultBook()
    table = read_fully(sent.body, format_, sent.kind, most_rows, book)
    try:
        return prepare(table, book, Sender(sent.by, now), lock=lock)
    except (UploadRefused, NotAllowed) as error:
        error.rows_sent = table.rows
        raise


def _store(sent: _Sent) -> Upload:
    """Store the rows while a thread compresses the body; it is kept before they are committed."""
    with ThreadPoolExecutor(max_workers=1) as keeper:
        kept = keeper.submit(bodies.keep, sent.body)

        def work() -> Upload:
            upload = _finish(sent.draft(), _prepare(sent, lock=True), sent.by)
            kept.result()
            return upload

        return in_turn(work)


def _counted(upload: Upload, prepared: Prepared) -> Upload:
    upload.rows = prepared.rows
    upload.created, upload.unchanged = prepared.created, prepared.unchanged
    return upload


def _store_one(sent: _Sent, values: Mapping[str, object]) -> tuple[Model, bool]:
    book = FaultBook()
    table = read_one(values, sent.kind, book)
    prepared = prepare(table, book, Sender(sent.by, timezone.now()), lock=True)
    if prepared.created:
        bodies.keep(sent.body)
        _finish(sent.draft(), prepared, sent.by)
    record = prepared.model._default_manager.get(**prepared.first_key)
    return record, bool(prepared.created)


def _finish(upload: Upload, prepared: Prepared, by: Actor) -> Upload:
    """Write the rows. A new upload takes its id here, after the locks, so that a release frozen
    meanwhile never counts a later upload as its own."""
    _counted(upload, prepared)
    upload.state, upload.finished_at = UploadState.STORED, timezone.now()
    if upload.site_id is None and len(prepared.site_ids) == 1:
        upload.site_id = prepared.site_ids[0]
    if len(prepared.trial_ids) == 1:
        upload.trial_id = prepared.trial_ids[0]
    reviews.note_due(upload, prepared.pile_ids)
    upload.save()
    with pghistory.context(action=f"upload {upload.pk}", actor=by.label):
        prepared.write(upload.pk)
    if upload.review == ReviewState.DONE:
        flags.review_upload(upload.kind, prepared.pile_ids, by)
    audit.record(
        "upload_stored",
        f"Upload {upload.pk}: {prepared.created} {upload.kind} new, {prepared.unchanged} unchanged",
        by,
        upload.trial,
    )
    return upload


def _process_claimed(upload_id: int) -> None:
    """Store a claimed upload, unless another worker is on it or has finished it."""
    if not locks.take_upload(upload_id):
        return
    upload = Upload.objects.select_related("site", "user", "token__site").get(pk=upload_id)
    if upload.state != UploadState.RUNNING:
        return
    by = reviews.sender_of(upload)
    sent = _Sent(UPLOAD_KINDS[upload.kind], original(upload), upload.content_type, by, "")
    _kind_for(upload.kind, by)
    prepared = _prepare(sent, lock=True)
    _refuse_if_frozen(upload, prepared)
    _finish(upload, prepared, by)


def _refuse_if_frozen(upload: Upload, prepared: Prepared) -> None:
    """A release counts uploads by id; one that waited must not slip into it afterwards."""
    frozen = Release.objects.filter(
        trial__in=prepared.trial_ids, last_upload_id__gte=upload.pk
    ).exists()
    if frozen:
        message = "The trial was frozen while this upload waited. Send the file again."
        raise UploadRefused(message, faults=[Fault(None, "", "released_meanwhile", message)])
