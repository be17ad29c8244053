"""Every bad file is refused with a permanent code, at the right place, and stores nothing."""

from collections.abc import Callable

import pytest

from registry.errors import RegistryError, UnreadableBody, UploadRefused
from registry.intake.codes import FAULT_CODES
from registry.models import Upload
from tests.intake.conftest import FILES, Places, send

CONTENT_TYPES = {
    "csv": "text/csv",
    "json": "application/json",
    "ndjson": "application/x-ndjson",
}
# What is wrong with the file as a whole; it cannot be read.
UNREADABLE = {
    "empty.csv": "empty_body",
    "only_blank_lines.csv": "empty_body",
    "no_rows.csv": "no_rows",
    "no_header.csv": "no_header",
    "wrong_delimiter.csv": "wrong_delimiter",
    "tabs.csv": "wrong_delimiter",
    "decimal_comma_bare.csv": "ragged_row",
    "unknown_column.csv": "unknown_column",
    "duplicate_header.csv": "duplicate_header",
    "missing_column.csv": "missing_column",
    "unnamed_column.csv": "unnamed_column",
    "ragged_row.csv": "ragged_row",
    "unclosed_quote.csv": "unclosed_quote",
    "nul_bytes.csv": "nul_bytes",
    "latin1.csv": "not_utf8",
    "utf16.csv": "not_utf8",
    "workbook.csv": "spreadsheet_file",
    "gzip.csv": "compressed_body",
    "not_json.json": "not_json",
    "object.json": "not_an_array",
    "array_of_numbers.json": "not_an_object",
    "empty_array.json": "no_rows",
    "deep.json": "not_json",
    "unknown_key.json": "unknown_column",
    "duplicate_key.json": "duplicate_key",
    "broken_line.ndjson": "not_json",
}
# file → row, field, code, and a part of the sentence that says what to change.
REFUSED = {
    "decimal_comma_quoted.csv": (2, "dry_mass_g", "decimal_comma", "4.1, not 4,1"),
    "ambiguous_date.csv": (2, "retrieved_on", "ambiguous_date", "2026-04-03 or 2026-03-04"),
    "day_first_date.csv": (2, "retrieved_on", "not_iso_date", "2026-04-25"),
    "spreadsheet_day_number.csv": (2, "retrieved_on", "spreadsheet_date_number", "Format the"),
    "no_such_date.csv": (2, "retrieved_on", "no_such_date", "not in the calendar"),
    "unknown_bag.csv": (2, "bag_label", "unknown_bag", "Check the label"),
    "unknown_trial.csv": (2, "trial", "unknown_trial", "no trial TRIAL-9"),
    "retrieval_before_burial.csv": (2, "retrieved_on", "retrieval_before_burial", "2026-04-07"),
    "retrieval_in_the_future.csv": (2, "retrieved_on", "in_the_future", "as it was"),
    "zero_for_lost.csv": (2, "dry_mass_g", "zero_mass", "nothing_left"),
    "mass_beside_lost_bag.csv": (2, "dry_mass_g", "residue_only_when_recovered", "blank"),
    "not_a_number.csv": (2, "dry_mass_g", "missing_word", "blank"),
    "unit_in_cell.csv": (2, "dry_mass_g", "unit_in_cell", "4.1"),
    "lower_case_code.csv": (2, "bag_label", "not_a_code", "NF-2"),
    "mangled_code.csv": (2, "bag_label", "mangled_by_spreadsheet", "as text"),
    "duplicate_row.csv": (2, "retrieved_on", "duplicate_row", "Row 1"),
    "blank_row.csv": (2, "", "blank_row", "delete the row"),
    "control_character.csv": (1, "notes", "control_character", "again"),
    "nested_value.json": (1, "dry_mass_g", "not_a_single_value", "single"),
    "not_a_number.json": (1, "dry_mass_g", "missing_word", "blank"),
    "escaped_nul.json": (1, "notes", "control_character", "again"),
    "half_a_character.json": (1, "notes", "control_character", "again"),
    "temperatures_fahrenheit_as_celsius.csv": (
        *(2, "temperature_c", "looks_like_fahrenheit"),
        "rename the column to temperature_f",
    ),
    "temperatures_both_units.csv": (2, "temperature_f", "two_temperatures", "once"),
    "temperatures_no_reading.csv": (2, "temperature_c", "no_temperature", "temperature_f"),
    "temperatures_hour_that_came_twice.csv": (
        *(1, "measured_at", "ambiguous_local_time"),
        "Add the offset",
    ),
    "temperatures_hour_that_never_was.csv": (
        *(1, "measured_at", "nonexistent_local_time"),
        "clocks went forward",
    ),
    "temperatures_two_values_at_once.csv": (
        *(2, "measured_at", "duplicate_row"),
        "Row 1 has 58.4 °C",
    ),
    "temperatures_date_without_time.csv": (1, "measured_at", "date_without_time", "T09:30"),
    "compositions_short_of_100.csv": (1, "mass_pct", "composition_does_not_add_up", "90 %"),
    "bags_before_pile.csv": (1, "buried_on", "buried_before_pile", "2026-04-07"),
    "bags_pile_of_nobody.csv": (1, "pile", "unknown_pile", "Upload piles first"),
    "piles_of_another_site.csv": (2, "site", "not_your_site", "that site's own token"),
    "materials_millimetres.csv": (1, "thickness_um", "density_implausible", "µm"),
}
OTHER_KINDS = ("temperatures", "compositions", "bags", "piles", "materials")


def _send(name: str, places: Places) -> Upload:
    kind = name.split("_")[0] if name.split("_")[0] in OTHER_KINDS else "retrievals"
    body = (FILES / "bad" / name).read_bytes()
    suffix = name.rpartition(".")[2]
    return send(kind, body, places.north, content_type=CONTENT_TYPES[suffix])


def test_every_bad_file_is_tried() -> None:
    assert {path.name for path in (FILES / "bad").iterdir()} == {*UNREADABLE, *REFUSED}


@pytest.mark.parametrize("name", UNREADABLE)
def test_a_file_that_cannot_be_read_says_why_and_stores_nothing(
    planted: Places, stored: Callable[[], dict[str, int]], name: str
) -> None:
    before = stored()

    with pytest.raises(UnreadableBody) as refusal:
        _send(name, planted)

    assert refusal.value.code == UNREADABLE[name]
    assert refusal.value.code in FAULT_CODES
    assert stored() == before
    _assert_remembered(refusal.value)


@pytest.mark.parametrize("name", REFUSED)
def test_a_wrong_row_is_named_with_what_to_change_and_nothing_is_stored(
    planted: Places, stored: Callable[[], dict[str, int]], name: str
) -> None:
    row, field, code, hint = REFUSED[name]
    before = stored()

    with pytest.raises(UploadRefused) as refusal:
        _send(name, planted)

    (fault,) = refusal.value.faults
    assert (fault.row, fault.field, fault.code) == (row, field, code)
    assert hint in fault.message
    assert refusal.value.fault_total == 1
    assert stored() == before
    _assert_remembered(refusal.value)


def _assert_remembered(error: RegistryError) -> None:
    """The refused upload is kept with its faults, for the person who must mend it."""
    upload = Upload.objects.get(pk=error.upload_id)
    assert (upload.state, upload.created, upload.unchanged) == ("rejected", 0, 0)
    assert upload.error_total == max(1, error.fault_total)
    kept = list(upload.faults.values_list("row", "field", "code"))
    told = [(fault.row, fault.field, fault.code) for fault in error.faults]
    assert kept == (told or [(None, error.field, error.code)])


def test_ragged_rows_are_all_named_together_with_other_faults(planted: Places) -> None:
    text = (
        "trial,bag_label,retrieved_on,outcome,dry_mass_g\n"
        "TRIAL-1,NF-1,2026-05-05,recovered,4,9\n"
        "TRIAL-1,NF-2,2026-05-05,recovered,NA\n"
        "TRIAL-1,NF-3,2026-05-05\n"
    )

    with pytest.raises(UnreadableBody) as refusal:
        send("retrievals", text, planted.north)

    assert [(fault.row, fault.code) for fault in refusal.value.faults] == [
        (1, "ragged_row"),
        (2, "missing_word"),
        (3, "ragged_row"),
    ]
    assert "decimal comma" in refusal.value.faults[0].message


def test_all_faults_of_the_header_come_at_once(places: Places) -> None:
    with pytest.raises(UnreadableBody) as refusal:
        send("piles", "site,pile,pile,colour,kind\nNORTH,P1,P1,red,bin\n", places.north)

    assert [(fault.field, fault.code) for fault in refusal.value.faults] == [
        ("pile", "duplicate_header"),
        ("colour", "unknown_column"),
        ("trial", "missing_column"),
        ("started_on", "missing_column"),
    ]


def test_ten_thousand_faults_are_counted_and_the_first_thousand_told(
    planted: Places, stored: Callable[[], dict[str, int]]
) -> None:
    rows = "".join(f"TRIAL-1,NF-1,2026-13-{day:02},gone\n" for day in range(5000))
    before = stored()

    with pytest.raises(UploadRefused) as refusal:
        send("retrievals", "trial,bag_label,retrieved_on,outcome\n" + rows, planted.north)

    assert refusal.value.fault_total == 10_000
    assert len(refusal.value.faults) == 1000
    assert [fault.row for fault in refusal.value.faults[:3]] == [1, 1, 2]
    assert stored() == before
    upload = Upload.objects.get(pk=refusal.value.upload_id)
    assert (upload.error_total, upload.faults.count()) == (10_000, 1000)


def test_a_fault_names_the_value_as_it_was_sent(planted: Places) -> None:
    text = "trial,bag_label,retrieved_on,outcome,dry_mass_g\nTRIAL-1,NF-1,2026-05-05,recovered,"

    with pytest.raises(UploadRefused) as refusal:
        send("retrievals", text + "0900.50\n", planted.north)

    assert refusal.value.faults[0].value == "0900.50"


def test_a_file_with_too_many_rows_is_too_large(planted: Places, settings: object) -> None:
    settings.MAX_UPLOAD_ROWS = 3  # type: ignore[attr-defined]
    rows = "".join(f"TRIAL-1,NF-{number},2026-05-05,nothing_left\n" for number in range(4))

    with pytest.raises(RegistryError) as refusal:
        send("retrievals", "trial,bag_label,retrieved_on,outcome\n" + rows, planted.north)

    assert refusal.value.code == "body_too_large"
