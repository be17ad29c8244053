"""The only way to change a stored measurement, and what stays readable of the old one."""

import pytest

from registry.errors import InvalidValue, NotAllowed, RecordChanged, StaleVersion
from registry.models import AuditEvent, Correction, PooledEstimate, Release, Retrieval, Site
from registry.permissions import Actor
from registry.queries import pooling_input
from registry.services import pooling, quality
from registry.services.releases import freeze_release
from tests.world import Call, World

pytestmark = pytest.mark.usefixtures("looked_at")

LABEL = "N1-PAPER-14-1"


@pytest.fixture
def look() -> Retrieval:
    return Retrieval.objects.get(bag__label=LABEL)


@pytest.fixture
def path(look: Retrieval) -> str:
    return f"/retrievals/{look.pk}/corrections/"


BODY = {"field": "dry_mass_g", "value": 5.5, "reason": "Read again from the lab book."}


def test_correction_changes_the_value_and_keeps_the_old_one_readable(
    call: Call, look: Retrieval, path: str
) -> None:
    before = look.dry_mass_g

    answer = call("POST", path, BODY, as_="NORTH")

    assert answer.status_code == 201
    kept = answer.json()
    assert (float(kept["old_value"]), kept["new_value"]) == (before, "5.5")
    assert (kept["trial"], kept["bag_label"], kept["retrieved_on"]) == (
        "TRIAL-1",
        LABEL,
        "2026-04-21",
    )
    assert kept["made_by"].startswith("balance room")
    now = call("GET", f"/retrievals/{look.pk}/", as_="NORTH")
    assert (now.json()["dry_mass_g"], now.json()["revision"]) == (5.5, 2)
    assert now["ETag"] == answer["ETag"] == f'"look-{look.pk}-2"'
    listed = call("GET", f"/corrections/?retrieval={look.pk}", as_="coordinator").json()
    assert listed["results"] == [kept]


def test_each_correction_counts_the_revision_and_newest_is_listed(
    call: Call, look: Retrieval, path: str
) -> None:
    for value in (5.5, 5.4, None):
        fragmentation = {"field": "fragmentation", "value": 2, "reason": "scored late"}
        if value is None:
            call("POST", path, fragmentation, as_="NORTH")
        assert call("POST", path, {**BODY, "value": value}, as_="NORTH").status_code == 201

    look.refresh_from_db()

    assert (look.dry_mass_g, look.fragmentation, look.revision) == (None, 2, 5)
    chain = Correction.objects.filter(field="dry_mass_g").order_by("pk")
    assert [c.new_value for c in chain] == ["5.5", "5.4", ""]
    assert [c.old_value for c in chain][1:] == ["5.5", "5.4"]


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"reason": ""}, "reason"),
        ({"reason": "   "}, "reason"),
        ({"value": "5,5"}, "decimal"),
        ({"value": "heavy"}, "number"),
        ({"value": -1}, "dry_mass_g"),
        ({"value": 1e9}, "dry_mass_g"),
        ({"value": True}, "dry_mass_g"),
        ({"value": [5]}, "one value"),
        ({"value": {"g": 5}}, "one value"),
        ({"field": "retrieved_on", "value": "2026-05-01"}, "field"),
        ({"field": "bag_label", "value": "X1"}, "field"),
        ({"field": "revision", "value": 7}, "field"),
        ({"field": "fragmentation", "value": 6}, "fragmentation"),
        ({"field": "outcome", "value": "gone"}, "outcome"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_wrong_correction_is_refused_with_a_reason_and_changes_nothing(
    call: Call, look: Retrieval, path: str, body: dict, says: str
) -> None:
    before = Retrieval.objects.filter(pk=look.pk).values().get()

    answer = call("POST", path, {**BODY, **body}, as_="NORTH")

    assert answer.status_code == 422, answer.json()
    assert answer["Content-Type"] == "application/problem+json"
    assert says in str(answer.json())
    assert Retrieval.objects.filter(pk=look.pk).values().get() == before
    assert not Correction.objects.exists()


def test_correction_that_breaks_a_rule_of_the_look_names_the_rule(
    call: Call, look: Retrieval, path: str
) -> None:
    body = {"field": "outcome", "value": "bag_lost", "reason": "never found"}

    answer = call("POST", path, body, as_="NORTH")

    assert answer.status_code == 422
    assert "residue only when recovered" in answer.json()["detail"]
    look.refresh_from_db()
    assert (look.outcome, look.revision) == ("recovered", 1)


def test_correction_that_changes_nothing_is_a_conflict(
    call: Call, look: Retrieval, path: str
) -> None:
    answer = call("POST", path, {**BODY, "value": look.dry_mass_g}, as_="NORTH")

    assert (answer.status_code, answer.json()["code"]) == (409, "nothing_changes")
    assert not Correction.objects.exists()


def test_if_match_guards_against_a_lost_update(call: Call, look: Retrieval, path: str) -> None:
    first = f'"look-{look.pk}-1"'
    assert call("POST", path, BODY, as_="NORTH", If_Match=first).status_code == 201

    stale = call("POST", path, {**BODY, "value": 5.4}, as_="NORTH", If_Match=first)
    foreign = call("POST", path, {**BODY, "value": 5.4}, as_="NORTH", If_Match='"something"')

    assert (stale.status_code, stale.json()["code"]) == (412, "stale_version")
    assert foreign.status_code == 412
    look.refresh_from_db()
    assert (look.dry_mass_g, look.revision) == (5.5, 2)
    for header in ({}, {"If_Match": "*"}, {"If_Match": f'"look-{look.pk}-2"'}):
        look.refresh_from_db()
        body = {**BODY, "value": look.dry_mass_g + 0.1}
        if header.get("If_Match", "").startswith('"look'):
            header = {"If_Match": f'"look-{look.pk}-{look.revision}"'}
        assert call("POST", path, body, as_="NORTH", **header).status_code == 201


def test_correction_of_another_lab_or_a_stranger_finds_no_look(
    call: Call, look: Retrieval, path: str
) -> None:
    assert call("POST", path, BODY, as_="SOUTH").status_code == 404
    assert call("POST", path, BODY, as_="ELSEWHERE").status_code == 404
    assert call("POST", path, BODY, as_="other coordinator").status_code == 404
    assert call("POST", path, BODY).status_code == 401
    look.refresh_from_db()
    assert look.revision == 1


def test_service_asks_permission_itself(look: Retrieval) -> None:
    south = Actor(site=Site.objects.get(code="SOUTH"))

    with pytest.raises(NotAllowed):
        quality.correct_retrieval(retrieval=look, by=south, **BODY)


@pytest.mark.parametrize(
    ("more", "error"),
    [
        ({"reason": " "}, InvalidValue),
        ({"reason": "x" * 501}, InvalidValue),
        ({"field": "bag_id"}, InvalidValue),
        ({"value": ["a list"]}, InvalidValue),
        ({"seen_revision": 4}, StaleVersion),
        ({"value": None, "field": "ash_pct"}, RecordChanged),
    ],
    ids=str,
)
def test_every_refusal_of_the_service_writes_nothing(
    world: World, look: Retrieval, more: dict, error: type[Exception]
) -> None:
    events = AuditEvent.objects.count()

    with pytest.raises(error):
        quality.correct_retrieval(retrieval=look, by=world.boss, **{**BODY, **more})

    look.refresh_from_db()
    assert look.revision == 1
    assert not Correction.objects.exists()
    assert AuditEvent.objects.count() == events


def test_correction_makes_a_new_run_and_leaves_the_old_estimates_as_they_were(
    call: Call, world: World, path: str
) -> None:
    first = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator").json()
    assert first["superseded"] is False
    pooling.execute_run(first["id"])
    numbers = list(PooledEstimate.objects.filter(run=first["id"]).values())
    digest = pooling_input.digest(world.trial)

    call("POST", path, BODY, as_="NORTH")

    assert pooling_input.digest(world.trial) != digest
    run = call("GET", f"/pooling-runs/{first['id']}/", as_="coordinator").json()
    assert run["superseded"] is False, "until the next run has finished"
    second = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator")
    assert second.status_code == 202
    pooling.execute_run(second.json()["id"])
    assert list(PooledEstimate.objects.filter(run=first["id"]).values()) == numbers
    said = {
        run["id"]: run["superseded"]
        for run in call("GET", "/pooling-runs/?trial=TRIAL-1", as_="NORTH").json()["results"]
    }
    assert said == {first["id"]: True, second.json()["id"]: False}
    old, new = (
        call("GET", f"/estimates/?run={run}&page_size=1", as_="NORTH").json()["results"][0]
        for run in (first["id"], second.json()["id"])
    )
    assert (old["superseded"], new["superseded"]) == (True, False)
    one = call("GET", f"/estimates/{old['id']}/", as_="NORTH").json()
    assert one["superseded"] is True


def test_release_stays_as_it_is_when_its_data_are_corrected(
    call: Call, world: World, path: str
) -> None:
    run = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator").json()
    pooling.execute_run(run["id"])
    release = freeze_release(trial=world.trial, by=world.boss)
    row = Release.objects.filter(pk=release.pk).values().get()
    package = b"".join(call("GET", f"/releases/{release.pk}/package/").streaming_content)

    call("POST", path, BODY, as_="NORTH")

    assert Release.objects.filter(pk=release.pk).values().get() == row
    after = b"".join(call("GET", f"/releases/{release.pk}/package/").streaming_content)
    assert after == package
    assert call("GET", f"/pooling-runs/{run['id']}/").json()["superseded"] is False
