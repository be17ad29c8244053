"""Freezing a trial: its data, estimates and ratings under a version number, never changed again."""

import contextlib
import os
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from registry.errors import InvalidValue, NothingToRelease
from registry.intake import locks
from registry.models import (
    PoolingRun,
    Release,
    ReleaseNotice,
    RunState,
    Trial,
    Upload,
    UploadState,
)
from registry.packages.build import build_package
from registry.packages.stored import verified_package
from registry.permissions import Actor, Capability, demand
from registry.queries import pooling_input
from registry.queries.estimate_records import estimate_records
from registry.queries.release_tables import release_tables
from registry.science.pooling import MODEL_VERSION
from registry.services import audit, reviews
from registry.services.ratings import store_ratings
from registry.services.release_facts import release_meta


@transaction.atomic
def post_notice(*, release: Release, message: str, by: Actor) -> ReleaseNotice:
    """Warn of a flaw of a release, wherever it is shown; the release itself stays as it is."""
    demand(by, Capability.RELEASE, trial=release.trial)
    message = message.strip()
    if not message:
        raise InvalidValue("Say what is wrong with the release.", field="message")
    notice = ReleaseNotice.objects.create(release=release, message=message, posted_by=by.user)
    audit.record("release_notice", f"Notice on {release}: {message}", by=by, trial=release.trial)
    return notice


@transaction.atomic
def freeze_release(*, trial: Trial, by: Actor, notes: str = "") -> Release:
    """Freeze the pooled data of a trial as its next version.

    Asked again while nothing has changed, it answers with the release there is. Raises
    `NothingToRelease` when the present data have not been pooled, or not to the end.
    """
    demand(by, Capability.RELEASE, trial=trial)
    # Alone with the trial: versions count without a gap, and an upload is wholly in or wholly out.
    locks.hold_trial(trial.pk)
    trial.refresh_from_db()
    reviews.catch_up_trial(trial)
    run = _run_of_present_data(trial)
    uploads = _last_upload_id()
    latest = trial.releases.order_by("-version").first()
    if latest and (latest.run_id, latest.last_upload_id, latest.notes) == (run.pk, uploads, notes):
        return latest
    number = latest.version + 1 if latest else 1
    now = timezone.now().replace(microsecond=0)
    meta = release_meta(trial, run, number, now, notes)
    tables = release_tables(trial)
    if pooling_input.digest(trial) != run.input_digest:
        raise NothingToRelease("Data arrived while the release was made; pool them, then release.")
    path = Path(settings.RELEASES_DIR) / f"{meta.name}.zip"
    previous = None if latest is None else verified_package(latest)
    sha256 = build_package(tables, estimate_records(run), meta, path, previous)
    # A package without its row would be taken for a release by whoever finds it.
    with _removed_on_failure(path):
        release = Release.objects.create(
            trial=trial,
            version=number,
            run=run,
            licence=trial.licence,
            notes=notes,
            package_name=path.name,
            package_sha256=sha256,
            package_bytes=path.stat().st_size,
            n_rows=len(tables["retrievals"]),
            last_upload_id=uploads,
            created_by=by.user,
            created_at=now,
        )
        store_ratings(release)
        audit.record(
            "release_frozen", f"Version {number} of {trial.code} released", by=by, trial=trial
        )
    return release


def _run_of_present_data(trial: Trial) -> PoolingRun:
    runs = trial.pooling_runs.filter(
        input_digest=pooling_input.digest(trial), model_version=MODEL_VERSION
    )
    run = runs.filter(state=RunState.DONE).order_by("-id").first()
    if run is not None:
        return run
    if runs.filter(state__in=[RunState.QUEUED, RunState.RUNNING]).exists():
        raise NothingToRelease("The pooling of the present data is not finished; try again soon.")
    raise NothingToRelease(
        "The present data have not been pooled: data changed since the last run, or it failed. "
        "Request a pooling run first."
    )


def _last_upload_id() -> int:
    stored = Upload.objects.filter(state=UploadState.STORED)
    return stored.aggregate(last=Max("pk"))["last"] or 0


@contextlib.contextmanager
def _removed_on_failure(path: Path) -> Any:
    try:
        yield
    except BaseException:
        os.unlink(path)
        raise
