"""Advisory locks that uploads hold until their transaction ends.

A freeze or a change of state takes a trial alone; uploads share it. Uploads to one site follow one
another, so rules that look at several rows at once stay true.
"""

from collections.abc import Iterable

from django.db import connection

TRIAL = 0x636F
SITE = 0x6370
UPLOAD = 0x6371
CURVES = 0x6372
# Materials belong to no site.
NO_SITE = 0


def share_trials(trial_ids: Iterable[int]) -> None:
    for trial_id in sorted(set(trial_ids)):
        _call("pg_advisory_xact_lock_shared", TRIAL, trial_id)


def hold_trial(trial_id: int) -> None:
    """Wait for running uploads of the trial, and keep new ones out."""
    _call("pg_advisory_xact_lock", TRIAL, trial_id)


def hold_sites(site_ids: Iterable[int]) -> None:
    for site_id in sorted(set(site_ids)):
        _call("pg_advisory_xact_lock", SITE, site_id)


def take_upload(upload_id: int) -> bool:
    """True when nobody else works on the upload; held until the transaction ends."""
    return bool(_call("pg_try_advisory_xact_lock", UPLOAD, upload_id))


def take_curves(run_id: int) -> bool:
    """The same for the decay curves of a pooling run."""
    return bool(_call("pg_try_advisory_xact_lock", CURVES, run_id))


def _call(function: str, space: int, key: int) -> object:
    with connection.cursor() as cursor:
        # Keys are 32-bit; ids beyond that wrap round, which at worst waits without need.
        cursor.execute(f"SELECT {function}(%s, %s)", [space, key % 2**31])
        return cursor.fetchone()[0]
