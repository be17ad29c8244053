"""Findings after uploads and corrections: raised once, kept, withdrawn; and what decisions do."""

from datetime import timedelta

import pytest

from registry.errors import InvalidValue, NotAllowed, RecordChanged
from registry.jobs.uploads import process_upload
from registry.models import (
    HISTORY,
    AuditEvent,
    Flag,
    FlagDecision,
    PooledEstimate,
    Retrieval,
    Site,
    Trial,
    Upload,
)
from registry.permissions import Actor
from registry.queries import pooling_input
from registry.queries.looks_of_trial import looks_of
from registry.queries.pile_heat import heat_summaries
from registry.services import flags, pooling, quality
from tests import factories, sample_files
from tests.world import Call, World

HEADER = "trial,bag_label,retrieved_on,outcome,dry_mass_g\n"
EXTRA_BAG = (
    "trial,site,pile,bag_label,material,buried_on,initial_mass_g\n"
    "TRIAL-1,NORTH,P1,HEAVY,PAPER,2026-04-07,10\n"
)
HEAVY_LOOK = HEADER + "TRIAL-1,HEAVY,2026-05-19,recovered,12.5\n"


@pytest.fixture
def heavy(call: Call, looked_at: None) -> Flag:
    """A look at 125 % of its start mass, and the flag it gets."""
    assert call("POST", "/bags/", EXTRA_BAG, as_="NORTH").status_code == 201
    assert call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH").status_code == 201
    return Flag.objects.get(code="remaining_over_105")


def look_of(label: str) -> Retrieval:
    return Retrieval.objects.get(bag__label=label)


def test_clean_upload_raises_nothing_but_the_slow_control(call: Call, looked_at: None) -> None:
    assert set(Flag.objects.values_list("code", flat=True)) <= {"control_not_degraded"}


def test_upload_raises_a_flag_with_its_evidence(call: Call, heavy: Flag) -> None:
    listed = call("GET", "/flags/?code=remaining_over_105", as_="NORTH").json()["results"]

    (flag,) = listed
    assert (flag["trial"], flag["site"], flag["pile"]) == ("TRIAL-1", "NORTH", "P1")
    assert (flag["bag_label"], flag["retrieval"]) == ("HEAVY", look_of("HEAVY").pk)
    assert (flag["decision"], flag["decided_by"], flag["rule_version"]) == ("waiting", None, 1)
    assert flag["evidence"] == {
        "unit": "%",
        "found": pytest.approx(125.0),
        "limit_low": None,
        "limit_high": 105.0,
        "compared_with": None,
        "n_compared": None,
        "from_at": None,
        "until_at": None,
    }
    assert "125 %" in flag["message"]
    assert call("GET", f"/flags/{flag['id']}/", as_="coordinator").json() == flag
    assert AuditEvent.objects.filter(action="flags_reviewed", trial__code="TRIAL-1").exists()


def test_upload_in_the_background_raises_the_same(call: Call, looked_at: None) -> None:
    call("POST", "/bags/", EXTRA_BAG, as_="NORTH")
    queued = call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH", Prefer="respond-async")
    assert queued.status_code == 202

    process_upload(queued.json()["id"])

    assert Upload.objects.get(pk=queued.json()["id"]).state == "stored"
    assert Flag.objects.get(code="remaining_over_105").retrieval == look_of("HEAVY")


def test_single_record_raises_it_too(call: Call, looked_at: None) -> None:
    call("POST", "/bags/", EXTRA_BAG, as_="NORTH")
    body = {
        "trial": "TRIAL-1",
        "bag_label": "HEAVY",
        "retrieved_on": "2026-05-19",
        "outcome": "recovered",
        "dry_mass_g": 12.5,
    }

    assert call("POST", "/retrievals/", body, as_="NORTH").status_code == 201

    assert Flag.objects.filter(code="remaining_over_105").count() == 1


def test_recipe_and_log_of_a_pile_are_reviewed_as_they_come(call: Call, looked_at: None) -> None:
    lines = "site,pile,ingredient,wet_mass_kg,moisture_pct,carbon_pct,nitrogen_pct\n"
    wet = call("POST", "/feedstocks/", lines + "NORTH,P1,Grass,100,80,42,3\n", as_="NORTH").json()
    hours = [f"2026-04-{day:02}T{hour:02}:00Z" for day in (8, 9, 11) for hour in range(24)]
    readings = ["site,pile,probe,measured_at,temperature_c"]
    readings += [f"NORTH,P1,CORE,{at},30" for at in hours]
    call("POST", "/temperatures/", "\n".join(readings), as_="NORTH")

    found = {flag.code: flag for flag in Flag.objects.filter(bag=None, retrieval=None)}

    assert wet["review"] == "done"
    assert found["start_moisture_out_of_range"].found == pytest.approx(80.0)
    assert found["start_cn_out_of_range"].found == pytest.approx(14.0)
    # Two days of three were logged: 47 and 23 of 95 hours.
    assert found["log_incomplete"].found == pytest.approx(100 * 70 / 95)
    assert (found["log_incomplete"].probe, found["log_incomplete"].pile.code) == ("", "P1")

    dry = call("POST", "/feedstocks/", lines + "NORTH,P1,Straw,60,12,44,0.6\n", as_="NORTH")

    assert dry.status_code == 201
    withdrawn = Flag.objects.filter(code__startswith="start_").values_list("decision", flat=True)
    assert set(withdrawn) == {FlagDecision.WITHDRAWN}


def test_same_finding_is_raised_once(call: Call, world: World, heavy: Flag) -> None:
    before = list(Flag.objects.order_by("pk").values())

    call("POST", "/retrievals/", HEAVY_LOOK, as_="NORTH")
    review = flags.review_looks([heavy.pile_id], world.boss)

    assert review == flags.Review()
    assert list(Flag.objects.order_by("pk").values()) == before


def test_finding_that_no_longer_holds_is_withdrawn_and_its_history_kept(
    call: Call, world: World, heavy: Flag
) -> None:
    quality.correct_retrieval(
        retrieval=look_of("HEAVY"), field="dry_mass_g", value=1.25, reason="misread", by=world.boss
    )

    heavy.refresh_from_db()
    assert heavy.decision == FlagDecision.WITHDRAWN
    assert heavy.reason == flags.WITHDRAWN_BECAUSE
    assert HISTORY[Flag]._default_manager.filter(pgh_obj_id=heavy.pk, decision="waiting").exists()


def test_withdrawn_finding_that_comes_back_waits_again(world: World, heavy: Flag) -> None:
    look = look_of("HEAVY")
    for value in (1.25, 13.0):
        quality.correct_retrieval(
            retrieval=look, field="dry_mass_g", value=value, reason="misread", by=world.boss
        )

    heavy.refresh_from_db()
    assert (heavy.decision, heavy.reason, heavy.decided_at) == ("waiting", "", None)
    assert heavy.found == pytest.approx(130.0)


def test_acceptance_holds_only_for_the_numbers_it_was_given_for(world: World, heavy: Flag) -> None:
    quality.decide_flag(flag=heavy, decision="accept", reason="soil seen", by=world.boss)
    flags.review_looks([heavy.pile_id], world.boss)
    heavy.refresh_from_db()
    assert heavy.decision == "accept"

    quality.correct_retrieval(
        retrieval=look_of("HEAVY"), field="dry_mass_g", value=40.0, reason="typo", by=world.boss
    )

    heavy.refresh_from_db()
    assert (heavy.decision, heavy.found) == ("waiting", pytest.approx(400.0))


def test_exclusion_stays_whatever_is_corrected(world: World, heavy: Flag) -> None:
    quality.decide_flag(flag=heavy, decision="exclude", reason="wrong bag", by=world.boss)

    quality.correct_retrieval(
        retrieval=look_of("HEAVY"), field="dry_mass_g", value=1.0, reason="typo", by=world.boss
    )

    heavy.refresh_from_db()
    assert (heavy.decision, heavy.reason) == ("exclude", "wrong bag")


def test_finding_of_an_older_rule_is_withdrawn_when_the_rules_change(
    world: World, heavy: Flag, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("registry.science.quality_rules.RULE_VERSION", 2)

    flags.review_looks([heavy.pile_id], world.boss)

    heavy.refresh_from_db()
    assert (heavy.decision, heavy.reason) == ("withdrawn", flags.RULES_CHANGED)
    newer = Flag.objects.get(code=heavy.code, rule_version=2)
    assert (newer.decision, newer.retrieval_id) == ("waiting", heavy.retrieval_id)


def test_start_mass_off_its_batch_is_found_at_the_site_alone(call: Call, looked_at: None) -> None:
    rows = [f"TRIAL-1,NORTH,P1,B{n},FILM-A,2026-04-07,{10 if n else 14}" for n in range(4)]
    file = EXTRA_BAG.splitlines()[0] + "\n" + "\n".join(rows) + "\n"

    assert call("POST", "/bags/", file, as_="NORTH").status_code == 201

    flag = Flag.objects.get(code="start_mass_off_batch")
    assert (flag.bag.label, flag.retrieval, flag.pile.site.code) == ("B0", None, "NORTH")
    assert (flag.found, flag.compared_with, flag.n_compared) == (14.0, 10.0, 16)
    assert call("GET", "/flags/?code=start_mass_off_batch", as_="SOUTH").json()["results"] == []


def test_late_look_is_found_by_the_trials_own_window(call: Call, looked_at: None) -> None:
    Trial.objects.update(window_days=2)
    bag = EXTRA_BAG.replace("initial_mass_g", "initial_mass_g,planned_days").replace(
        "2026-04-07,10", "2026-04-07,10,28"
    )
    call("POST", "/bags/", bag, as_="NORTH")
    lifted = sample_files.BURIED + timedelta(days=31)

    call("POST", "/retrievals/", HEADER + f"TRIAL-1,HEAVY,{lifted},nothing_left,\n", as_="NORTH")

    flag = Flag.objects.get(code="outside_window")
    assert (flag.found, flag.compared_with) == (31.0, 28.0)
    assert (flag.limit_low, flag.limit_high, flag.unit) == (26.0, 30.0, "d")


def temperatures(probe: str, celsius: list[float]) -> str:
    rows = [
        f"NORTH,P1,{probe},2026-04-{8 + hour // 24:02}T{hour % 24:02}:00:00Z,{value}"
        for hour, value in enumerate(celsius)
    ]
    return "\n".join(["site,pile,probe,measured_at,temperature_c", *rows, ""])


@pytest.fixture
def logged(call: Call) -> None:
    """Two days of a hot pile; the middle probe lay beside it for a night."""
    call("POST", "/piles/", sample_files.piles("NORTH"), as_="NORTH")
    outside = [60.0] * 20 + [17.5] * 14 + [60.0] * 14
    for probe, values in (("CORE", [62.0] * 48), ("MID", outside), ("AIR", [17.0] * 48)):
        sent = call("POST", "/temperatures/", temperatures(probe, values), as_="NORTH")
        assert sent.status_code == 201, sent.json()


def test_logger_left_out_of_the_pile_is_found_with_its_hours(call: Call, logged: None) -> None:
    (flag,) = call("GET", "/flags/?code=logger_outside", as_="NORTH").json()["results"]

    assert (flag["pile"], flag["probe"], flag["retrieval"]) == ("P1", "MID", None)
    assert flag["evidence"]["found"] == 13.0
    assert flag["evidence"]["from_at"] == "2026-04-08T20:00:00Z"
    assert flag["evidence"]["until_at"] == "2026-04-09T09:00:00Z"


def test_excluded_probe_leaves_the_heat_of_its_pile_and_makes_new_data(
    world: World, logged: None
) -> None:
    flag = Flag.objects.get(code="logger_outside")
    digest = pooling_input.digest(world.trial)
    assert {span.probe for span in heat_summaries(world.trial)[flag.pile_id].outside} == {"MID"}

    quality.decide_flag(flag=flag, decision="exclude", reason="lay on the wall", by=world.boss)

    assert heat_summaries(world.trial)[flag.pile_id].outside == ()
    assert pooling_input.digest(world.trial) != digest


# --- decisions ----------------------------------------------------------------------------------


def decide(call: Call, flag: Flag, decision: str, as_: str | None = "coordinator", **more: str):
    body = {"decision": decision, "reason": "checked the photo", **more}
    return call("POST", f"/flags/{flag.pk}/decision/", body, as_=as_)


def test_decision_needs_the_trials_coordinator(call: Call, heavy: Flag) -> None:
    assert decide(call, heavy, "exclude", as_="NORTH").status_code == 403
    assert decide(call, heavy, "exclude", as_="SOUTH").status_code == 404
    assert decide(call, heavy, "exclude", as_="other coordinator").status_code == 404
    assert decide(call, heavy, "exclude", as_=None).status_code == 401
    heavy.refresh_from_db()
    assert heavy.decision == "waiting"


@pytest.mark.parametrize(
    "body",
    [{"reason": ""}, {"reason": " "}, {"decision": "waiting"}, {"decision": "withdrawn"}],
    ids=str,
)
def test_decision_without_reason_or_with_another_word_is_refused(
    call: Call, heavy: Flag, body: dict
) -> None:
    answer = call(
        "POST",
        f"/flags/{heavy.pk}/decision/",
        {"decision": "accept", "reason": "seen", **body},
        as_="coordinator",
    )

    assert answer.status_code == 422
    heavy.refresh_from_db()
    assert heavy.decision == "waiting"


def test_service_refuses_what_the_edge_would(world: World, heavy: Flag) -> None:
    lab = Actor(site=Site.objects.get(code="NORTH"))
    with pytest.raises(NotAllowed):
        quality.decide_flag(flag=heavy, decision="accept", reason="seen", by=lab)
    with pytest.raises(InvalidValue):
        quality.decide_flag(flag=heavy, decision="perhaps", reason="seen", by=world.boss)
    with pytest.raises(InvalidValue):
        quality.decide_flag(flag=heavy, decision="accept", reason="", by=world.boss)
    Flag.objects.filter(pk=heavy.pk).update(
        decision="withdrawn", reason="gone", decided_at="2026-06-01T00:00Z"
    )
    with pytest.raises(RecordChanged):
        quality.decide_flag(flag=heavy, decision="accept", reason="seen", by=world.boss)


def excluded(call: Call, label: str) -> str:
    """The mark on a look in the export of the trial."""
    answer = call("GET", "/trials/TRIAL-1/export/?table=retrievals", as_="coordinator")
    lines = b"".join(answer.streaming_content).decode().splitlines()
    header = lines[0].split(",")
    row = next(line.split(",") for line in lines[1:] if line.split(",")[1].strip('"') == label)
    return row[header.index("excluded")]


def in_pooling(world: World) -> int:
    looks = looks_of(world.trial)
    return int((~looks.excluded).sum())


def test_excluded_look_leaves_the_pooling_stays_in_exports_and_is_counted(
    call: Call, world: World, heavy: Flag
) -> None:
    before = in_pooling(world)
    assert excluded(call, "HEAVY") == "false"

    answer = decide(call, heavy, "exclude")

    assert answer.status_code == 200
    decided = answer.json()
    assert (decided["decision"], decided["reason"]) == ("exclude", "checked the photo")
    assert decided["decided_by"] == "Coordinator"
    assert in_pooling(world) == before - 1
    assert excluded(call, "HEAVY") == "true"
    run, _ = pooling.open_run(trial=world.trial, by=world.boss)
    pooling.execute_run(run.pk)
    rate = PooledEstimate.objects.filter(run=run, material__code="PAPER", outcome="decay_rate")
    assert set(rate.values_list("n_excluded", flat=True)) == {1}


def test_excluding_a_bag_or_a_pile_leaves_out_all_their_looks(
    call: Call, world: World, looked_at: None
) -> None:
    bag = look_of("N1-PAPER-14-1").bag
    before = in_pooling(world)
    of_bag = factories.Flag(pile=bag.pile, bag=bag)
    of_pile = factories.Flag(pile=bag.pile)

    decide(call, of_bag, "exclude")
    after_bag = in_pooling(world)
    decide(call, of_pile, "exclude")

    assert (before - after_bag, before - in_pooling(world)) == (1, 12)
    assert excluded(call, "N1-PAPER-28-1") == "true"
    assert excluded(call, "N2-PAPER-28-1") == "false"


def test_exclusion_taken_back_is_new_data_and_not_an_old_run(
    call: Call, world: World, heavy: Flag
) -> None:
    digests = [pooling_input.digest(world.trial)]
    for decision in ("exclude", "accept", "exclude"):
        assert decide(call, heavy, decision).status_code == 200
        digests.append(pooling_input.digest(world.trial))

    assert len(set(digests)) == 4
    assert decide(call, heavy, "exclude", reason="another word").status_code == 200
    assert pooling_input.digest(world.trial) == digests[-1]


def test_excluded_control_is_heard_no_more(call: Call, world: World, looked_at: None) -> None:
    flag = Flag.objects.filter(code="control_not_degraded").first()
    if flag is None:
        looks = Retrieval.objects.filter(
            bag__material__code="PAPER", bag__pile__code="P1", bag__pile__site__code="NORTH"
        )
        for look in looks.filter(bag__label__contains="-28-"):
            quality.correct_retrieval(
                retrieval=look, field="dry_mass_g", value=9.0, reason="test", by=world.boss
            )
        flag = Flag.objects.get(code="control_not_degraded")
    for look in Retrieval.objects.filter(bag__pile=flag.pile, bag__material__code="PAPER"):
        decide(call, factories.Flag(pile=flag.pile, retrieval=look), "exclude")

    flag.refresh_from_db()

    assert flag.decision == "withdrawn"
