"""A pooling run finishes once, with the right numbers, whatever happens to its worker."""

import os
import signal
import subprocess
import sys
import time
import uuid
from datetime import timedelta

import pytest
from django.db.models.functions import Now
from kombu.exceptions import OperationalError

from registry.jobs import pooling as jobs
from registry.jobs.sweep import sweep
from registry.models import PooledEstimate, PoolingRun, RunState
from registry.queries import pooling_input
from registry.science.pooling import pool_trial
from registry.services import pooling
from tests.conftest import address_of_test_database
from tests.world import World

# Two test processes and a browser may share the cores while the worker starts.
DEADLINE_SECONDS = 180


@pytest.fixture
def run(world: World, looked_at: None) -> PoolingRun:
    found, _ = pooling.open_run(trial=world.trial, by=world.boss)
    return found


def test_worker_killed_in_the_middle_is_replaced_after_its_lease(
    background_worker: object, run: PoolingRun
) -> None:
    dying = subprocess.Popen(
        [sys.executable, "-m", "tests.jobs.dying_worker", str(run.pk)],
        stdout=subprocess.PIPE,
        env={**os.environ, "DATABASE_URL": address_of_test_database()},
    )
    assert dying.stdout is not None
    assert dying.stdout.readline() == b"in the middle\n"
    run.refresh_from_db()
    assert (run.state, run.stage, run.attempt) == (RunState.RUNNING, "sites", 1)

    dying.send_signal(signal.SIGKILL)
    dying.wait()
    dying.stdout.close()
    _sweep_until_done(run)

    assert (run.state, run.attempt, run.error) == (RunState.DONE, 2, "")
    assert _stored(run) == _computed_here(run)


def test_worker_that_comes_back_too_late_changes_nothing(run: PoolingRun) -> None:
    forgotten = pooling._claim(run.pk)
    assert forgotten is not None
    PoolingRun.objects.filter(pk=run.pk).update(lease_until=Now() - timedelta(seconds=1))
    assert pooling.execute_run(run.pk)
    before = _stored(run)

    stored = pooling._pool_and_store(run.pk, forgotten)

    assert not stored
    assert _stored(run) == before
    run.refresh_from_db()
    assert (run.state, run.attempt) == (RunState.DONE, 2)


def test_run_held_by_a_living_worker_is_left_alone(run: PoolingRun) -> None:
    assert pooling._claim(run.pk) is not None

    assert not pooling.execute_run(run.pk)
    assert sweep() == 0


def test_run_is_failed_after_the_last_attempt_and_says_why(run: PoolingRun) -> None:
    for _ in range(pooling.MAX_ATTEMPTS):
        assert pooling._claim(run.pk) is not None
        PoolingRun.objects.filter(pk=run.pk).update(lease_until=Now() - timedelta(seconds=1))

    sweep()

    run.refresh_from_db()
    assert run.state == RunState.FAILED
    assert "stopped 3 times" in run.error
    assert not pooling.execute_run(run.pk)


def test_unforeseen_error_hands_the_run_back_and_then_fails_it(
    run: PoolingRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise MemoryError("no room")

    monkeypatch.setattr(pooling, "pool_trial", broken)
    for attempt in range(1, pooling.MAX_ATTEMPTS + 1):
        with pytest.raises(MemoryError):
            pooling.execute_run(run.pk)
        run.refresh_from_db()
        assert run.attempt == attempt
        assert "no room" in run.error

    assert run.state == RunState.FAILED
    assert not PooledEstimate.objects.exists()


def test_broker_that_is_down_loses_nothing(
    world: World,
    looked_at: None,
    monkeypatch: pytest.MonkeyPatch,
    django_capture_on_commit_callbacks,
) -> None:
    def down(*_: object) -> None:
        raise OperationalError("connection refused")

    monkeypatch.setattr(jobs.run_pooling, "delay", down)
    with django_capture_on_commit_callbacks(execute=True):
        run, created = jobs.request_pooling(trial=world.trial, by=world.boss)
    rung: list[int] = []
    monkeypatch.setattr(jobs.run_pooling, "delay", rung.append)

    sweep()

    assert created
    assert rung == [run.pk]
    assert sweep() == 0, "it does not ring twice while the message may be on its way"


def test_lease_of_another_is_not_extended(run: PoolingRun) -> None:
    assert pooling._claim(run.pk) is not None

    assert pooling._held(run.pk, uuid.uuid4()).update(stage="stolen") == 0


def test_upload_while_a_run_waits_is_pooled_and_named_by_the_digest(
    run: PoolingRun, world: World
) -> None:
    requested = run.input_digest
    world.trial.bags.filter(label="N1-PAPER-14-1").get().retrievals.update(dry_mass_g=6.0)

    assert pooling.execute_run(run.pk)

    run.refresh_from_db()
    assert run.input_digest == pooling_input.digest(world.trial) != requested


def _sweep_until_done(run: PoolingRun) -> None:
    deadline = time.monotonic() + DEADLINE_SECONDS
    while run.state != RunState.DONE and time.monotonic() < deadline:
        sweep()
        time.sleep(0.2)
        run.refresh_from_db()


def _stored(run: PoolingRun) -> list[tuple[object, ...]]:
    rows = PooledEstimate.objects.filter(run=run)
    return sorted(
        rows.values_list(
            "material__code", "outcome", "model", "heat_class", "estimate", "tau2_site"
        ),
        key=str,
    )


def _computed_here(run: PoolingRun) -> list[tuple[object, ...]]:
    gathered = pooling_input.gather(run.trial)
    found = pool_trial(
        gathered.looks,
        primary_day=gathered.primary_day,
        schedule_days=gathered.schedule_days,
        window_days=gathered.window_days,
        reference_material=gathered.reference_material,
    )
    return sorted(
        ((e.material, e.outcome, e.model, e.heat_class, e.estimate, e.tau2_site) for e in found),
        key=str,
    )
