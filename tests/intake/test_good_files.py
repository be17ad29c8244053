"""The good files are stored whole, are harmless the second time, and mean what they say."""

from datetime import UTC, date, datetime

import pytest

from registry.models import Bag, Composition, Feedstock, Material, ProbeDay, Retrieval, Turning
from registry.permissions import Actor
from tests.intake.conftest import FILES, Places, good_file, plant, send

CONTENT_TYPES = {
    ".csv": "text/csv; charset=utf-8",
    ".json": "application/json",
    ".ndjson": "application/x-ndjson",
}
ROWS_OF_FILE = {
    "materials.csv": 2,
    "compositions.csv": 3,
    "piles.csv": 2,
    "feedstocks.csv": 2,
    "turnings.csv": 2,
    "temperatures.csv": 3,
    "bags.csv": 4,
    "retrievals.csv": 5,
    "retrievals.json": 2,
    "retrievals.ndjson": 2,
}
BEFORE = {"compositions": ("materials",), "feedstocks": ("piles",), "turnings": ("piles",)}
BEFORE |= {"temperatures": ("piles",), "bags": ("piles",), "retrievals": ("piles", "bags")}


def _send_file(name: str, by: Actor) -> object:
    path = FILES / "good" / name
    return send(path.stem, path.read_bytes(), by, content_type=CONTENT_TYPES[path.suffix])


def test_every_good_file_is_tried() -> None:
    assert {path.name for path in (FILES / "good").iterdir()} == set(ROWS_OF_FILE)


@pytest.mark.parametrize("name", ROWS_OF_FILE)
def test_a_good_file_is_stored_and_the_same_again_changes_nothing(
    places: Places, name: str
) -> None:
    for kind in BEFORE.get(name.partition(".")[0], ()):
        send(kind, good_file(kind), places.north)

    first = _send_file(name, places.north)
    again = _send_file(name, places.north)

    rows = ROWS_OF_FILE[name]
    assert (first.state, first.rows, first.created, first.unchanged) == ("stored", rows, rows, 0)
    assert (again.state, again.rows, again.created, again.unchanged) == ("stored", rows, 0, rows)


def test_every_row_knows_its_upload_and_its_row(planted: Places) -> None:
    upload = send("retrievals", good_file("retrievals"), planted.north)

    rows = Retrieval.objects.order_by("upload_row").values_list("upload_id", "upload_row")
    assert list(rows) == [(upload.pk, row) for row in (1, 2, 3, 4, 5)]


def test_cells_arrive_as_they_were_written(planted: Places) -> None:
    send("retrievals", good_file("retrievals"), planted.north)

    look = Retrieval.objects.get(bag__label="NF-1")
    assert (look.retrieved_on, look.outcome, look.reburied) == (
        date(2026, 5, 5),
        "recovered",
        False,
    )
    assert (look.wet_mass_g, look.dry_mass_g, look.fragmentation) == (9.1, 4.912, 2)
    assert (look.brittleness, look.observer, look.notes, look.revision) == (0, "AB", "", 1)
    scored = Retrieval.objects.get(bag__label="NF-2", retrieved_on=date(2026, 4, 21))
    assert (scored.fragmentation, scored.growth, scored.notes) == (1, None, "in place, dry")


def test_blank_cells_mean_what_their_column_says(planted: Places) -> None:
    bag = Bag.objects.get(label="NF-2")

    assert (bag.purpose, bag.stratum, bag.initial_moisture_pct, bag.pieces) == (
        "sample",
        "",
        None,
        None,
    )


def test_quotes_and_commas_in_quoted_cells_are_text(places: Places) -> None:
    send("materials", good_file("materials"), places.north)

    assert Material.objects.get(code="COIR-POT").name == "Coir pot, 9 cm"
    assert Material.objects.get(code="WOOL-MAT").notes == 'felted, "soft" side up'


def test_recipes_and_compositions_hang_on_what_they_name(places: Places) -> None:
    for kind in ("materials", "compositions", "piles", "feedstocks"):
        send(kind, good_file(kind), places.north)

    assert list(
        Composition.objects.filter(material__code="COIR-POT").values_list("component", "mass_pct")
    ) == [("coir fibre", 92.0), ("natural rubber", 8.0)]
    assert set(Feedstock.objects.values_list("pile__code", "ingredient")) == {
        ("P1", "chopped straw"),
        ("P1", "horse manure"),
    }


def test_a_time_without_an_offset_is_the_sites_own(places: Places) -> None:
    for kind in ("piles", "turnings"):
        send(kind, good_file(kind), places.north)

    assert list(Turning.objects.order_by("turned_at").values_list("turned_at", flat=True)) == [
        datetime(2026, 4, 21, 7, 30, tzinfo=UTC),
        datetime(2026, 5, 5, 7, 30, tzinfo=UTC),  # summer time in Copenhagen is UTC+2
    ]


def test_readings_become_probe_days_in_celsius(places: Places) -> None:
    for kind in ("piles", "temperatures"):
        send(kind, good_file(kind), places.north)

    core = ProbeDay.objects.get(probe="CORE")
    assert core.seconds == [8 * 3600, 9 * 3600]
    # (137.1 − 32) · 5/9
    assert core.celsius == [58.4, pytest.approx(58.388889, abs=5e-5)]
    assert (core.count, core.lowest_c, core.highest_c) == (2, core.celsius[1], 58.4)
    assert core.mean_c == pytest.approx(sum(core.celsius) / 2)


def test_a_byte_order_mark_and_windows_line_ends_are_no_matter(places: Places) -> None:
    plant(places)
    body = b"\xef\xbb\xbf" + good_file("retrievals").replace(b"\n", b"\r\n")

    upload = send("retrievals", body, places.north)

    assert upload.created == 5


def test_columns_may_come_in_any_order_and_optional_ones_may_be_left_out(places: Places) -> None:
    text = "started_on,kind,trial,pile,site\n2026-04-07,bin,TRIAL-1,P1,NORTH\n"

    assert send("piles", text, places.north).created == 1
