"""Curves of each pile and material follow a run: the same numbers as science, once, in batches."""

from datetime import timedelta

import numpy as np
import pytest
from django.db.models.functions import Now

from registry.jobs import pile_curves as jobs
from registry.jobs.sweep import sweep
from registry.models import CurveShape, CurvesState, PileCurve, PoolingRun, Retrieval
from registry.science.censored_curves import fit_censored_curves
from registry.science.curves import fit_curves
from registry.services import pile_curves, pooling
from registry.services.pile_curves import Progress
from tests.world import Call, World


@pytest.fixture
def run(world: World, looked_at: None) -> PoolingRun:
    """A finished run of the small trial, its curves still to come."""
    found, _ = pooling.open_run(trial=world.trial, by=world.boss)
    assert pooling.execute_run(found.pk)
    found.refresh_from_db()
    return found


def state_of(run: PoolingRun) -> str:
    return PoolingRun.objects.get(pk=run.pk).curves


def test_every_pile_and_material_gets_the_curves_that_science_gives(run: PoolingRun) -> None:
    assert state_of(run) == CurvesState.WAITING

    assert pile_curves.fit_batch(run.pk) is Progress.FINISHED

    assert state_of(run) == CurvesState.DONE
    looked_at = set(Retrieval.objects.values_list("bag__pile", "bag__material"))
    assert set(PileCurve.objects.values_list("pile", "material")) == looked_at
    for row in PileCurve.objects.prefetch_related("shapes"):
        _assert_as_science(row)


def _assert_as_science(row: PileCurve) -> None:
    looks = Retrieval.objects.filter(bag__pile=row.pile, bag__material=row.material)
    looks = looks.filter(outcome__in=("recovered", "nothing_left")).select_related("bag")
    day = np.array([float((look.retrieved_on - look.bag.buried_on).days) for look in looks])
    gone = np.array([look.outcome == "nothing_left" for look in looks])
    left = np.array([(look.dry_mass_g or 0.0) / look.bag.initial_mass_g for look in looks])
    limit = row.run.trial.detection_limit
    if row.residual_a is None:
        found = fit_curves(day, left, gone, limit)
    else:
        found = fit_censored_curves(day, left, gone, limit, (row.residual_a, row.residual_b))
    assert row.n_looks == len(day)
    assert row.best == (found.best.shape if found.best else "")
    assert row.shapes.count() == 5
    for fit in found.fits:
        shape = row.shapes.get(shape=fit.shape)
        assert shape.parameters == pytest.approx(list(fit.parameters), rel=1e-5, abs=1e-7)
        assert shape.aicc == pytest.approx(fit.aicc, rel=1e-6)
        assert shape.days_to_90 == pytest.approx(fit.days_to_90, rel=1e-5)
    for name, reason in found.refused:
        assert row.shapes.get(shape=name).refused == reason


def test_a_second_bell_changes_nothing(run: PoolingRun) -> None:
    pile_curves.fit_batch(run.pk)
    before = list(CurveShape.objects.order_by("pk").values())

    assert pile_curves.fit_batch(run.pk) is Progress.NOT_MINE

    assert list(CurveShape.objects.order_by("pk").values()) == before


def test_a_batch_stops_in_time_and_the_next_goes_on(
    run: PoolingRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pile_curves, "BATCH_SECONDS", -1.0)
    assert pile_curves.fit_batch(run.pk) is Progress.MORE
    assert not PileCurve.objects.exists()

    monkeypatch.setattr(pile_curves, "BATCH_SECONDS", 60.0)
    # A pile that has its curves already is left as it is.
    first = run.trial.piles.earliest("pk")
    kept = PileCurve.objects.create(
        run=run,
        pile=first,
        material=run.trial.materials.earliest("pk"),
        outcome="one_day",
        method="least_squares",
        n_looks=1,
        n_days=1,
        n_nothing_left=0,
    )
    assert pile_curves.fit_batch(run.pk) is Progress.FINISHED

    assert list(PileCurve.objects.filter(pile=first)) == [kept]
    assert PileCurve.objects.exclude(pile=first).exists()


def test_data_that_moved_on_get_no_curves_under_an_old_run(
    run: PoolingRun, call: Call, world: World
) -> None:
    look = Retrieval.objects.filter(outcome="recovered").first()
    assert look is not None
    body = {"field": "dry_mass_g", "value": 1.0, "reason": "read wrongly"}
    call("POST", f"/retrievals/{look.pk}/corrections/", body, as_="coordinator")

    assert pile_curves.fit_batch(run.pk) is Progress.FINISHED

    assert state_of(run) == CurvesState.OUTDATED
    assert not PileCurve.objects.exists()


def test_a_run_whose_curves_fail_three_times_is_given_up(
    run: PoolingRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("no")

    monkeypatch.setattr(pile_curves, "curves_of_pile", broken)
    for _ in range(3):
        with pytest.raises(RuntimeError):
            pile_curves.fit_batch(run.pk)

    assert state_of(run) == CurvesState.FAILED
    assert pile_curves.fit_batch(run.pk) is Progress.NOT_MINE


def test_the_sweep_rings_for_runs_without_curves_and_not_twice_at_once(
    run: PoolingRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard: list[int] = []
    monkeypatch.setattr(jobs, "ring", heard.append)

    sweep()
    sweep()
    assert heard == [run.pk]
    PoolingRun.objects.update(curves_sent_at=Now() - timedelta(minutes=2))
    sweep()
    assert heard == [run.pk] * 2


def test_the_task_rings_for_its_next_batch(
    run: PoolingRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard: list[int] = []
    monkeypatch.setattr(jobs, "ring", heard.append)
    monkeypatch.setattr(pile_curves, "BATCH_SECONDS", -1.0)

    jobs.fit_pile_curves(run.pk)

    assert heard == [run.pk]


def test_the_api_tells_curves_to_those_who_may_see_the_pile(run: PoolingRun, call: Call) -> None:
    pile_curves.fit_batch(run.pk)
    north = run.trial.piles.filter(site__code="NORTH").earliest("pk")

    own = call("GET", f"/piles/{north.pk}/curves/", as_="NORTH")
    listed = call("GET", "/pile-curves/?trial=TRIAL-1&page_size=1000", as_="coordinator")
    south = call("GET", "/pile-curves/?site=NORTH", as_="SOUTH")
    stranger = call("GET", "/pile-curves/")
    as_csv = call("GET", "/pile-curves/?material=PAPER", as_="coordinator", Accept="text/csv")

    assert {row["material"] for row in own.json()["curves"]} == {"PAPER", "FILM-A"}
    row = next(row for row in own.json()["curves"] if row["outcome"] == "fitted")
    single = next(shape for shape in row["shapes"] if shape["shape"] == "first_order")
    assert single["parameters"][0]["name"] == "k"
    assert single["half_life_days"] == pytest.approx(np.log(2) / single["parameters"][0]["value"])
    assert row["superseded"] is False
    assert call("GET", f"/pooling-runs/{run.pk}/", as_="NORTH").json()["curves"] == "done"
    assert len(listed.json()["results"]) == PileCurve.objects.count()
    assert south.json()["results"] == stranger.json()["results"] == []
    lines = b"".join(as_csv.streaming_content).decode().splitlines()
    assert len(lines) == 1 + PileCurve.objects.filter(material__code="PAPER").count()
