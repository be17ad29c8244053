"""What rows mean: rules between cells, between rows, and beside what is stored."""

import pytest

from registry.errors import NotAllowed, UploadRefused
from registry.models import Bag, Retrieval, Trial
from tests import factories
from tests.intake.conftest import Places, good_file, send

LOOK = "trial,bag_label,retrieved_on,outcome,reburied,wet_mass_g,dry_mass_g,ash_pct,fragmentation\n"
BAG = "trial,site,pile,bag_label,material,buried_on,initial_mass_g\n"
PILE = "site,pile,trial,kind,started_on\n"
TURNING = "site,pile,turned_at,notes\n"
PARTS = "material,component,function,mass_pct\n"


def _faults(kind: str, text: str, places: Places) -> list[tuple[int | None, str, str]]:
    """Row, field and code of every fault; [] when the file is stored."""
    try:
        send(kind, text, places.north)
    except UploadRefused as refusal:
        return [(fault.row, fault.field, fault.code) for fault in refusal.faults]
    return []


@pytest.mark.parametrize(
    ("cells", "field", "code"),
    [
        ("nothing_left,,,4.1,,", "dry_mass_g", "residue_only_when_recovered"),
        ("nothing_left,,,,3,", "ash_pct", "residue_only_when_recovered"),
        ("looked_at,,9,,,2", "wet_mass_g", "residue_only_when_recovered"),
        ("recovered,,,,3,", "outcome", "recovered_without_weight_or_score"),
        ("bag_lost,,,,,2", "fragmentation", "missing_bag_with_scores"),
        ("bag_damaged,,,,,2", "fragmentation", "missing_bag_with_scores"),
        ("looked_at,,,,,", "outcome", "looked_at_without_score"),
        ("nothing_left,yes,,,,", "reburied", "nothing_to_rebury"),
        ("bag_lost,yes,,,,", "reburied", "nothing_to_rebury"),
        ("recovered,,4,5,,", "dry_mass_g", "dry_heavier_than_wet"),
        ("recovered,,,62,,", "dry_mass_g", "mass_over_five_times_start"),
    ],
)
def test_an_outcome_and_its_cells_must_tell_one_story(
    planted: Places, cells: str, field: str, code: str
) -> None:
    assert _faults("retrievals", LOOK + f"TRIAL-1,NF-2,2026-05-05,{cells}\n", planted) == [
        (1, field, code)
    ]
    assert not Retrieval.objects.exists()


@pytest.mark.parametrize(
    "cells",
    [
        "recovered,,,,,3",  # scored, not weighed
        "recovered,,4,4.05,,",  # the last moisture of a cooling residue
        "recovered,,,61,,",  # full of compost: kept, flagged, not refused
        "bag_damaged,yes,,,,",
        "nothing_left,,,,,5",
        "looked_at,yes,,,,0",
    ],
)
def test_these_stories_are_taken(planted: Places, cells: str) -> None:
    assert _faults("retrievals", LOOK + f"TRIAL-1,NF-2,2026-05-05,{cells}\n", planted) == []


def test_a_wrong_cell_is_not_taken_for_a_missing_one(planted: Places) -> None:
    text = LOOK + "TRIAL-1,NF-2,2026-05-05,recovered,,,4?1,,\n"

    assert _faults("retrievals", text, planted) == [(1, "dry_mass_g", "not_a_number")]


def test_an_empty_bag_may_gain_any_mass(planted: Places) -> None:
    text = LOOK + "TRIAL-1,NF-4,2026-05-05,recovered,,,80,,\n"

    assert _faults("retrievals", text, planted) == []


def test_a_travel_bag_is_lifted_on_the_day_it_was_buried(planted: Places) -> None:
    text = LOOK + "TRIAL-1,NF-3,2026-04-07,recovered,,,9.9,,\n"

    assert _faults("retrievals", text, planted) == []


def test_a_bag_that_left_the_pile_cannot_be_looked_at_later(planted: Places) -> None:
    first = LOOK + "TRIAL-1,NF-2,2026-05-05,recovered,no,,5,,\n"
    later = LOOK + "TRIAL-1,NF-2,2026-05-19,recovered,no,,4,,\n"

    assert _faults("retrievals", first, planted) == []
    assert _faults("retrievals", later, planted) == [
        (1, "retrieved_on", "retrieval_after_final_look")
    ]


def test_the_order_of_looks_counts_not_the_order_of_rows(planted: Places) -> None:
    text = (
        LOOK
        + "TRIAL-1,NF-2,2026-05-19,recovered,no,,4,,\n"
        + "TRIAL-1,NF-2,2026-05-05,recovered,yes,,5,,\n"
        + "TRIAL-1,NF-1,2026-05-19,recovered,no,,4,,\n"
        + "TRIAL-1,NF-1,2026-05-05,recovered,no,,5,,\n"
    )

    assert _faults("retrievals", text, planted) == [
        (3, "retrieved_on", "retrieval_after_final_look")
    ]


def test_a_last_look_cannot_be_put_before_a_stored_look(planted: Places) -> None:
    later = LOOK + "TRIAL-1,NF-2,2026-05-19,recovered,no,,4,,\n"
    earlier = LOOK + "TRIAL-1,NF-2,2026-05-05,recovered,no,,5,,\n"
    reburied = LOOK + "TRIAL-1,NF-2,2026-05-05,recovered,yes,,5,,\n"

    assert _faults("retrievals", later, planted) == []
    assert _faults("retrievals", earlier, planted) == [
        (1, "retrieved_on", "final_look_before_later_look")
    ]
    assert _faults("retrievals", reburied, planted) == []


def test_a_bag_that_was_not_found_may_turn_up_later(planted: Places) -> None:
    text = (
        LOOK
        + "TRIAL-1,NF-2,2026-05-05,bag_lost,,,,,\n"
        + "TRIAL-1,NF-2,2026-05-19,recovered,,,4,,\n"
    )

    assert _faults("retrievals", text, planted) == []


def test_a_stored_look_with_other_values_is_told_with_both(planted: Places) -> None:
    send("retrievals", LOOK + "TRIAL-1,NF-2,2026-05-05,recovered,no,,5,,\n", planted.north)

    with pytest.raises(UploadRefused) as refusal:
        send("retrievals", LOOK + "TRIAL-1,NF-2,2026-05-05,recovered,yes,,5.5,,\n", planted.north)

    (fault,) = refusal.value.faults
    assert fault.code == "retrieval_changed"
    assert "reburied no is stored, yes was sent" in fault.message
    assert "dry_mass_g 5 is stored, 5.5 was sent" in fault.message
    assert Retrieval.objects.get().dry_mass_g == 5


def test_new_rows_beside_unchanged_ones_are_stored(planted: Places) -> None:
    first = LOOK + "TRIAL-1,NF-2,2026-05-05,recovered,no,,5,,\n"
    send("retrievals", first, planted.north)

    upload = send("retrievals", first + "TRIAL-1,NF-1,2026-05-05,recovered,,,5,,\n", planted.north)

    assert (upload.created, upload.unchanged) == (1, 1)
    assert Retrieval.objects.get(bag__label="NF-1").upload_row == 2


@pytest.mark.parametrize(
    ("row", "field", "code"),
    [
        ("TRIAL-1,NORTH,P1,B-1,PLASTIC,2026-04-08,12", "material", "unknown_material"),
        ("TRIAL-1,NORTH,P1,B-1,OTHER,2026-04-08,12", "material", "material_not_in_trial"),
        ("TRIAL-1,NORTH,P1,B-1,PAPER,2026-04-06,12", "buried_on", "buried_before_pile"),
        ("TRIAL-1,NORTH,P3,B-1,PAPER,2026-04-08,12", "pile", "pile_of_other_trial"),
        ("TRIAL-1,NOWHERE,P1,B-1,PAPER,2026-04-08,12", "site", "unknown_site"),
        ("TRIAL-1,SOUTH,P1,B-1,PAPER,2026-04-08,12", "pile", "unknown_pile"),
        ("TRIAL-1,NORTH,P1,NF-1,PAPER,2026-04-08,12", "material", "bag_changed"),
    ],
)
def test_a_bag_belongs_to_its_pile_its_trial_and_a_material_of_it(
    planted: Places, row: str, field: str, code: str
) -> None:
    factories.Material(code="OTHER")
    elsewhere = factories.Pile(
        code="P3", site=planted.north.site, trial=Trial.objects.get(code="TRIAL-2")
    )
    factories.Pile(code="P1", site=planted.south.site, trial=planted.trial)
    assert elsewhere.trial != planted.trial

    found = _faults("bags", BAG + row + "\n", planted)

    assert (1, field, code) in found
    assert Bag.objects.count() == 4


def test_a_label_of_another_site_is_taken_without_a_word_about_its_bag(planted: Places) -> None:
    send("piles", PILE + "SOUTH,P1,TRIAL-1,bin,2026-04-07\n", planted.south)

    with pytest.raises(UploadRefused) as refusal:
        send("bags", BAG + "TRIAL-1,SOUTH,P1,NF-1,PAPER,2026-04-08,99\n", planted.south)

    (fault,) = refusal.value.faults
    assert fault.code == "bag_label_taken"
    assert "12.48" not in fault.message
    assert "NORTH" not in fault.message


@pytest.mark.parametrize(
    ("row", "field", "code"),
    [
        ("ELSEWHERE,P1,TRIAL-1,bin,2026-04-07", "site", "not_your_site"),
        ("NORTH,P1,TRIAL-2,bin,2026-04-07", "site", "site_not_in_trial"),
        ("NORTH,P1,TRIAL-9,bin,2026-04-07", "trial", "unknown_trial"),
    ],
)
def test_a_pile_belongs_to_a_site_of_the_trial(
    places: Places, row: str, field: str, code: str
) -> None:
    text = PILE + "NORTH,P7,TRIAL-1,bin,2026-04-07\n" + row + "\n"

    assert _faults("piles", text, places) == [(2, field, code)]


def test_a_file_of_rows_of_other_sites_alone_is_not_allowed(places: Places) -> None:
    with pytest.raises(NotAllowed):
        send("piles", PILE + "SOUTH,P1,TRIAL-1,bin,2026-04-07\n", places.north)


@pytest.mark.parametrize(
    ("state", "code"), [("draft", "trial_not_registered"), ("closed", "trial_closed")]
)
def test_only_an_open_trial_takes_rows(planted: Places, state: str, code: str) -> None:
    Trial.objects.filter(pk=planted.trial.pk).update(state=state)

    assert _faults("piles", PILE + "NORTH,P9,TRIAL-1,bin,2026-04-07\n", planted) == [
        (1, "trial", code)
    ]
    assert _faults("turnings", TURNING + "NORTH,P1,2026-05-01T10:00,\n", planted) == [
        (1, "pile", code)
    ]


def test_nothing_happens_in_a_pile_before_the_day_it_was_built(planted: Places) -> None:
    text = (
        TURNING
        + "NORTH,P1,2026-04-06T22:30:00Z,half past midnight at the site\n"
        + "NORTH,P1,2026-04-06T21:30:00Z,the evening before\n"
    )

    assert _faults("turnings", text, planted) == [(2, "turned_at", "turned_before_pile")]


def test_the_same_instant_in_two_writings_is_one_turning(planted: Places) -> None:
    text = TURNING + "NORTH,P1,2026-05-01T10:00,\nNORTH,P1,2026-05-01T08:00:00Z,\n"

    assert _faults("turnings", text, planted) == [(2, "turned_at", "duplicate_row")]


def test_nothing_happens_in_the_future(planted: Places) -> None:
    assert _faults("turnings", TURNING + "NORTH,P1,2027-06-01T12:30:00Z,\n", planted) == [
        (1, "turned_at", "in_the_future")
    ]


def test_a_look_is_in_the_future_by_the_sites_own_calendar(planted: Places) -> None:
    today = LOOK + "TRIAL-1,NF-2,2027-06-01,nothing_left,,,,,\n"
    tomorrow = LOOK + "TRIAL-1,NF-1,2027-06-02,nothing_left,,,,,\n"

    assert _faults("retrievals", today, planted) == []
    assert _faults("retrievals", tomorrow, planted) == [(1, "retrieved_on", "in_the_future")]


@pytest.mark.parametrize(("share", "faulty"), [("7", False), ("9", False), ("6.9", True)])
def test_parts_of_a_material_add_up_within_one_percent(
    places: Places, share: str, faulty: bool
) -> None:
    text = PARTS + f"FILM-A,starch,polymer,92\nFILM-A,glycerol,plasticiser,{share}\n"

    found = _faults("compositions", text, places)

    assert found == ([(1, "mass_pct", "composition_does_not_add_up")] if faulty else [])


def test_a_part_cannot_be_added_to_a_whole(places: Places) -> None:
    assert _faults("compositions", PARTS + "FILM-A,starch,polymer,100\n", places) == []

    assert _faults("compositions", PARTS + "FILM-A,talc,filler,20\n", places) == [
        (1, "mass_pct", "composition_does_not_add_up")
    ]


def test_a_material_sent_again_with_other_values_is_a_conflict(places: Places) -> None:
    send("materials", good_file("materials"), places.north)
    text = "material,name,form,role,thickness_um\nCOIR-POT,Coir pot,tray,test,1800\n"

    with pytest.raises(UploadRefused) as refusal:
        send("materials", text, places.south)

    (fault,) = refusal.value.faults
    assert (fault.field, fault.code) == ("name", "material_changed")
    assert "form pot is stored, tray was sent" in fault.message


def test_a_coordinator_sends_for_the_sites_of_their_trials_only(places: Places) -> None:
    row = "NORTH,P1,TRIAL-1,bin,2026-04-07\n"

    with pytest.raises(NotAllowed):
        send("piles", PILE + row, places.other_coordinator)
    upload = send("piles", PILE + row, places.coordinator)

    assert (upload.created, upload.site, upload.user) == (
        1,
        places.north.site,
        places.coordinator.user,
    )
