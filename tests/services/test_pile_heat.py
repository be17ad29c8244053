"""The heat of a pile's probes is measured once, kept, and measured again when a log changes."""

import threading

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from registry.jobs.sweep import sweep
from registry.models import Flag, Pile, PileLog, ProbeDay, ProbeHeat, Turning
from registry.queries import probe_heats
from registry.queries.pile_heat import heat_of_pile, heat_summaries
from registry.services import pile_heat, quality, uploads
from tests import factories
from tests.world import World

HEADER = "site,pile,probe,measured_at,temperature_c"


@pytest.fixture
def pile(world: World) -> Pile:
    body = "site,pile,trial,kind,started_on\nNORTH,HEAP,TRIAL-1,windrow,2026-03-01\n"
    send(world, "piles", body)
    lines = [HEADER]
    for day in range(2, 26):
        for hour in range(0, 24, 2):
            at = f"2026-03-{day:02}T{hour:02}:00Z"
            # The second probe lay in the open for a day; the third hangs in the air.
            mid = 12.0 if day == 8 else 50.0
            lines += [
                f"NORTH,HEAP,CORE,{at},{58 + hour / 10}",
                f"NORTH,HEAP,MID,{at},{mid}",
                f"NORTH,HEAP,AIR,{at},{11 + hour / 10}",
            ]
    send(world, "temperatures", "\n".join(lines))
    return Pile.objects.get()


def send(world: World, kind: str, body: str) -> None:
    uploads.submit(kind=kind, body=body.encode(), content_type="text/csv", by=world.boss)


def from_readings(pile: Pile) -> object:
    """What the readings say now, past everything that is kept."""
    with transaction.atomic():
        PileLog.objects.all().delete()
        found = heat_of_pile(pile)
        transaction.set_rollback(True)
    return found


@pytest.mark.django_db(transaction=True)
def test_kept_heat_is_that_of_the_readings(world: World, pile: Pile) -> None:
    Turning.objects.create(pile=pile, turned_at="2026-03-10T10:00Z", upload_id=1, upload_row=1)
    assert ProbeHeat.objects.count() == 2

    with CaptureQueriesContext(connection) as queries:
        (kept,) = heat_summaries(world.trial).values()

    assert kept == from_readings(pile)
    assert (kept.heat_class, kept.probe) == ("warm", "CORE")
    assert [span.probe for span in kept.outside] == ["MID"]
    assert kept.thermal.turnings_in_hot_phase == 1
    assert not any("registry_probeday" in query["sql"] for query in queries)


@pytest.mark.django_db(transaction=True)
def test_new_readings_are_seen_before_anything_is_measured_again(
    world: World, pile: Pile, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = heat_of_pile(pile)
    monkeypatch.setattr(pile_heat, "keep_up", lambda *_: 0)
    send(world, "temperatures", f"{HEADER}\nNORTH,HEAP,CORE,2026-03-27T00:00Z,71\n")

    after = heat_of_pile(pile)

    assert after == from_readings(pile)
    assert after.thermal.n_readings == before.thermal.n_readings + 1
    monkeypatch.undo()
    assert pile_heat.keep_up() == 1
    assert pile_heat.keep_up() == 0
    assert heat_of_pile(pile) == after


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE registry_probeday SET celsius[1] = 80 WHERE probe = 'CORE'",
        "DELETE FROM registry_probeday WHERE probe = 'CORE' AND day > '2026-03-15'",
        "INSERT INTO registry_probeday (pile_id, probe, day, seconds, celsius, count, lowest_c,"
        " mean_c, highest_c, uploads) SELECT pile_id, 'EDGE', day, seconds, celsius, count,"
        " lowest_c, mean_c, highest_c, uploads FROM registry_probeday WHERE probe = 'CORE'",
    ],
    ids=["update", "delete", "insert"],
)
def test_raw_sql_on_the_readings_is_seen(pile: Pile, sql: str) -> None:
    before = heat_of_pile(pile)

    with connection.cursor() as cursor:
        cursor.execute(sql)

    assert heat_of_pile(pile) == from_readings(pile)
    assert (heat_of_pile(pile) == before) is ("INSERT" in sql)
    assert pile_heat.keep_up() == 1


@pytest.mark.django_db(transaction=True)
def test_probe_left_out_by_a_decision_is_left_out_and_comes_back(world: World, pile: Pile) -> None:
    before = heat_of_pile(pile)
    flag = factories.Flag(pile=pile, probe="CORE")

    quality.decide_flag(flag=flag, decision="exclude", reason="wrong pile", by=world.boss)

    assert heat_of_pile(pile).probe == "MID"
    assert heat_of_pile(pile) == from_readings(pile)
    quality.decide_flag(
        flag=Flag.objects.get(pk=flag.pk), decision="accept", reason="checked", by=world.boss
    )
    assert heat_of_pile(pile) == before


@pytest.mark.django_db(transaction=True)
def test_numbers_of_readings_that_grew_meanwhile_are_thrown_away(
    world: World, pile: Pile, monkeypatch: pytest.MonkeyPatch
) -> None:
    ProbeDay.objects.filter(probe="CORE", day="2026-03-05").update(highest_c=89)
    measured_now = pile_heat.measured_now

    def and_then_more_arrive(pile_ids: list[int]) -> object:
        found = measured_now(pile_ids)
        ProbeDay.objects.filter(probe="CORE", day="2026-03-06").update(celsius=[80.0] * 12)
        return found

    monkeypatch.setattr(pile_heat, "measured_now", and_then_more_arrive)
    pile_heat.keep_up()
    monkeypatch.undo()

    assert probe_heats.unmeasured() == {pile.pk: PileLog.objects.get().version}
    assert heat_of_pile(pile) == from_readings(pile)


@pytest.mark.django_db(transaction=True)
def test_another_method_measures_again(
    world: World, pile: Pile, monkeypatch: pytest.MonkeyPatch
) -> None:
    PileLog.objects.update(measured_by="of-old")
    ProbeHeat.objects.update(degree_hours=0)

    assert heat_of_pile(pile).thermal.degree_hours > 0
    assert pile_heat.keep_up() == 1
    assert heat_of_pile(pile) == from_readings(pile)


@pytest.mark.django_db(transaction=True)
def test_log_that_is_being_changed_is_not_waited_for(world: World, pile: Pile) -> None:
    PileLog.objects.update(measured_by="of-old")
    answers: list[int] = []

    def sweep_meanwhile() -> None:
        answers.append(pile_heat.keep_up(most=5))
        connection.close()

    with transaction.atomic():
        ProbeDay.objects.filter(probe="CORE", day="2026-03-05").update(highest_c=89)
        thread = threading.Thread(target=sweep_meanwhile)
        thread.start()
        thread.join(timeout=60)
        assert answers == [1], "it came back while the log was locked"

    assert PileLog.objects.get().measured_by == "of-old"
    assert sweep() == 1
    assert pile_heat.keep_up() == 0
