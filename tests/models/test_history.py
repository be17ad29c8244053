"""Nothing changes silently: triggers see every UPDATE and DELETE, raw SQL included."""

import csv
import io
import json

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, transaction
from django.db.models import Model

from registry.models import (
    HISTORY,
    AccessToken,
    AuditEvent,
    Bag,
    Retrieval,
    User,
)
from registry.models.history import LINK_HISTORY
from registry.permissions import Actor
from registry.queries.history import history_of
from registry.services import access, quality
from tests import factories
from tests.world import Call, World

# A column to change by hand, and what to write there.
CHANGES = {
    "Institution": "name = 'Renamed'",
    "Site": "latitude = 1.5, longitude = 2.5",
    "Trial": "detection_limit = 0.03",
    "Material": "initial_ash_pct = 12",
    "Composition": "mass_pct = 99.5",
    "Pile": "height_m = 1.5",
    "Feedstock": "wet_mass_kg = 1",
    "Turning": "water_added_l = 5",
    "ProbeDay": "celsius = ARRAY[56.0]",
    "Bag": "initial_mass_g = 11",
    "Retrieval": "notes = 'changed'",
    "Photo": "caption = 'changed'",
    "Flag": "message = 'changed'",
    "Upload": "file_name = 'other.csv'",
    "PoolingRun": "input_digest = repeat('f', 64)",
    "User": "is_coordinator = true",
    "AccessToken": "expires_at = now()",
    "SiteMembership": "role = 'lead'",
    "Invitation": "revoked_at = now()",
    "OutsideStudy": "notes = 'changed'",
}
FINAL = (
    *("Correction", "AuditEvent", "Release", "Rating", "PooledEstimate", "SiteEstimate"),
    *("LeaveOneOut", "CurvePoint", "ChanceBy", "ClassChance", "LossScenario", "Comparison"),
    *("EstimateWarning", "ReleaseNotice", "OutsideEffect", "Explanation", "ExplainedRate"),
    *("PileCurve", "CurveShape"),
)
# Rows that record no measurement and no decision: faults of a refused file, answers kept for a
# retry, numbers that are measured again from the readings, and figures that are drawn again.
NEITHER = {"UploadFault", "IdempotencyRecord", "PileLog", "ProbeHeat", "Figure"}


def run(sql: str, *parameters: object) -> int:
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters)
        return cursor.rowcount


def test_every_model_is_either_tracked_or_final() -> None:
    names = {
        model.__name__
        for model in apps.get_app_config("registry").get_models()
        if not model._meta.proxy and not model.__name__.endswith("History")
    }

    assert {model.__name__ for model in HISTORY} == set(CHANGES)
    assert names == set(CHANGES) | set(FINAL) | NEITHER


@pytest.mark.django_db
@pytest.mark.parametrize("model", HISTORY, ids=lambda model: model.__name__)
def test_raw_sql_update_leaves_the_former_state(model: type[Model]) -> None:
    row = getattr(factories, model.__name__)()
    change = CHANGES[model.__name__]
    before = model._default_manager.filter(pk=row.pk).values().get()

    assert run(f"UPDATE {model._meta.db_table} SET {change} WHERE id = %s", row.pk) == 1

    (former,) = HISTORY[model]._default_manager.filter(pgh_obj_id=row.pk).values()
    assert former["pgh_label"] == "changed"
    kept = {name: former[name] for name in before if name in former}
    assert kept == {name: before[name] for name in kept}
    assert model._default_manager.filter(pk=row.pk).values().get() != before


@pytest.mark.django_db
@pytest.mark.parametrize("model", HISTORY, ids=lambda model: model.__name__)
def test_raw_sql_delete_leaves_the_former_state(model: type[Model]) -> None:
    row = getattr(factories, model.__name__)()

    assert run(f"DELETE FROM {model._meta.db_table} WHERE id = %s", row.pk) == 1

    (former,) = HISTORY[model]._default_manager.filter(id=row.pk).values()
    assert (former["pgh_label"], former["pgh_obj_id"]) == ("deleted", row.pk)


@pytest.mark.django_db
def test_update_that_changes_nothing_leaves_no_trace() -> None:
    bag = factories.Bag()

    run("UPDATE registry_bag SET initial_mass_g = initial_mass_g WHERE id = %s", bag.pk)

    assert not HISTORY[Bag]._default_manager.exists()


@pytest.mark.django_db
def test_secrets_and_last_use_are_not_kept() -> None:
    columns = {
        model: {field.name for field in HISTORY[model]._meta.get_fields()}
        for model in (User, AccessToken)
    }
    token = factories.AccessToken()

    run("UPDATE registry_accesstoken SET last_used_at = now() WHERE id = %s", token.pk)

    assert "password" not in columns[User]
    assert "digest" not in columns[AccessToken]
    assert not HISTORY[AccessToken]._default_manager.exists()


@pytest.mark.django_db
@pytest.mark.parametrize("link", ["sites", "materials", "coordinators"])
def test_raw_sql_delete_of_a_link_is_kept(link: str) -> None:
    trial = factories.Trial()
    other = {"sites": "Site", "materials": "Material", "coordinators": "User"}[link]
    getattr(trial, link).add(getattr(factories, other)())

    run(f"DELETE FROM registry_trial_{link} WHERE trial_id = %s", trial.pk)

    history = LINK_HISTORY[
        next(model for model in LINK_HISTORY if model._meta.db_table.endswith(link))
    ]
    (former,) = history._default_manager.values()
    assert (former["pgh_label"], former["trial_id"]) == ("deleted", trial.pk)


@pytest.mark.django_db
@pytest.mark.parametrize("sql", ["UPDATE {} SET pgh_label = 'x'", "DELETE FROM {}"])
def test_history_itself_cannot_be_changed(sql: str) -> None:
    bag = factories.Bag()
    run("UPDATE registry_bag SET initial_mass_g = 11 WHERE id = %s", bag.pk)

    with pytest.raises(Exception, match="Cannot update or delete rows"), transaction.atomic():
        run(sql.format(HISTORY[Bag]._meta.db_table))

    assert HISTORY[Bag]._default_manager.count() == 1


@pytest.mark.django_db
@pytest.mark.parametrize("name", FINAL)
@pytest.mark.parametrize(
    "sql", ["UPDATE {} SET id = id + 1000000 WHERE id = %s", "DELETE FROM {} WHERE id = %s"]
)
def test_what_was_said_or_done_is_never_changed(name: str, sql: str) -> None:
    row = getattr(factories, name)()
    model = type(row)

    with pytest.raises(IntegrityError, match="is never changed or deleted"), transaction.atomic():
        run(sql.format(model._meta.db_table), row.pk)

    assert model._default_manager.filter(pk=row.pk).exists()


@pytest.mark.django_db(transaction=True)
def test_reader_tells_a_correction_from_a_change_by_hand(
    call: Call, world: World, looked_at: None
) -> None:
    look = Retrieval.objects.order_by("pk").first()
    was = look.dry_mass_g
    call(
        "POST",
        f"/retrievals/{look.pk}/corrections/",
        {"field": "dry_mass_g", "value": 5.5, "reason": "misread"},
        as_="NORTH",
    )
    run("UPDATE registry_retrieval SET dry_mass_g = 5.25 WHERE id = %s", look.pk)

    by_hand, corrected = history_of(world.boss, "retrievals", look.pk)

    assert (by_hand.change, by_hand.actor, by_hand.action) == ("changed", "", "")
    assert [(c.field, c.old_value, c.new_value) for c in by_hand.fields] == [
        ("dry_mass_g", "5.5", "5.25")
    ]
    assert corrected.action == "correction"
    assert corrected.actor.startswith("site NORTH, token balance room")
    assert [(c.field, c.old_value, c.new_value) for c in corrected.fields] == [
        ("dry_mass_g", f"{was:.15g}", "5.5"),
        ("revision", "1", "2"),
    ]


@pytest.mark.django_db(transaction=True)
def test_history_as_a_file_has_the_rows_of_its_pages_in_their_order(
    call: Call, looked_at: None
) -> None:
    for depth in (30, 40):
        run("UPDATE registry_bag SET depth_cm = %s WHERE depth_cm IS DISTINCT FROM 1", depth)
    page = call("GET", "/history/?noun=bags", as_="coordinator").json()["results"]

    answer = call("GET", "/history/?noun=bags", as_="coordinator", Accept="text/csv")

    text = b"".join(answer.streaming_content).decode()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == len(page) > 2
    assert [int(row["id"]) for row in rows] == [item["id"] for item in page]
    assert [json.loads(row["columns"]) for row in rows] == [item["columns"] for item in page]


@pytest.mark.django_db(transaction=True)
def test_history_over_the_api_is_for_the_own_site_and_the_coordinator(
    call: Call, world: World, looked_at: None
) -> None:
    bag = Bag.objects.filter(pile__site__code="NORTH", retrievals__isnull=False).first()
    look = bag.retrievals.get()
    run("UPDATE registry_bag SET depth_cm = 30 WHERE id = %s", bag.pk)
    run("DELETE FROM registry_retrieval WHERE id = %s", look.pk)

    for person in ("NORTH", "coordinator"):
        (deleted,) = call("GET", "/history/?noun=retrievals", as_=person).json()["results"]
        assert (deleted["change"], deleted["record"]) == ("deleted", look.pk)
        mass = {c["field"]: c for c in deleted["columns"]}["dry_mass_g"]
        assert (float(mass["old_value"]), mass["new_value"]) == (look.dry_mass_g, None)
        (changed,) = call("GET", f"/history/?noun=bags&record={bag.pk}", as_=person).json()[
            "results"
        ]
        assert changed["columns"] == [{"field": "depth_cm", "old_value": None, "new_value": "30"}]
    for person in ("SOUTH", "ELSEWHERE", "other coordinator"):
        for noun in ("retrievals", "bags"):
            assert call("GET", f"/history/?noun={noun}", as_=person).json()["results"] == []
    assert call("GET", "/history/?noun=bags").status_code == 401
    assert call("GET", "/history/", as_="NORTH").status_code == 422
    assert call("GET", "/history/?noun=users", as_="NORTH").status_code == 422


@pytest.mark.django_db(transaction=True)
def test_services_leave_their_name_in_the_history(world: World, looked_at: None) -> None:
    token = AccessToken.objects.get(site__code="NORTH")
    flag = factories.Flag(pile__site__code="HEAP", pile__trial=world.trial)

    access.revoke_token(token=token, by=world.boss)
    quality.decide_flag(flag=flag, decision="accept", reason="seen", by=world.boss)

    (revoked,) = history_of(Actor(site=token.site), "tokens", token.pk)
    assert [c.field for c in revoked.fields] == ["revoked_at"]
    (decided,) = history_of(world.boss, "flags", flag.pk)
    assert (decided.action, decided.actor) == ("flag decided", "Coordinator")
    assert AuditEvent.objects.filter(action="flag_decided").exists()
