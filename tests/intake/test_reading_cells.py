"""Cells: the fast way and the full way give the same values, and no bytes raise a strange error."""

from contextlib import suppress

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from registry.columns import RETRIEVALS, TEMPERATURES, TURNINGS, UPLOAD_KINDS, UploadKind
from registry.errors import RegistryError
from registry.intake.body import CSV, FORMATS, JSON, NDJSON
from registry.intake.codes import FAULT_CODES
from registry.intake.faults import FaultBook
from registry.intake.parse import read_fast, read_fully, read_one

MOST_ROWS = 1000
KINDS = sorted(UPLOAD_KINDS)


def _fault(kind: UploadKind, column: str, cell: object) -> tuple[str, str] | None:
    """Code and sentence for one cell of an otherwise blank row, or None when it is taken."""
    book = FaultBook()
    read_one({column: cell}, kind, book)
    mine = [fault for fault in book.told() if fault.field == column]
    assert len(mine) <= 1
    return (mine[0].code, mine[0].message) if mine else None


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        ("4,912", "decimal_comma"),
        ("1,234.5", "not_a_number"),
        ("12 g", "unit_in_cell"),
        ("4.1%", "unit_in_cell"),
        ("<0.01", "not_a_number"),
        ("N/A", "missing_word"),
        ("nan", "missing_word"),
        ("-inf", "missing_word"),
        ("#VALUE!", "missing_word"),
        ("4..1", "not_a_number"),
        ("0x1F", "not_a_number"),
        ("1_000", "not_a_number"),
        ("٤", "not_a_number"),  # a digit of another script
        ("0", "zero_mass"),
        ("0.00001", "out_of_range"),
        ("-3", "out_of_range"),
        ("4912", "out_of_range"),
        ("1e999", "out_of_range"),
        ("9" * 400, "out_of_range"),
        ([4.1], "not_a_single_value"),
        ({"g": 4.1}, "not_a_single_value"),
        (True, "not_a_number"),
    ],
)
def test_a_mass_that_is_no_mass_is_explained(cell: object, code: str) -> None:
    found = _fault(RETRIEVALS, "dry_mass_g", cell)

    assert found is not None
    assert found[0] == code


@pytest.mark.parametrize(
    "cell", ["4.912", " 4.912 ", "+4.9", "4.", ".5", "4e0", "4E-1", 4, 4.5, ""]
)
def test_a_mass_may_be_written_in_these_ways(cell: object) -> None:
    assert _fault(RETRIEVALS, "dry_mass_g", cell) is None


@pytest.mark.parametrize(
    ("column", "cell", "code"),
    [
        ("fragmentation", "2.5", "not_whole_number"),
        ("fragmentation", "6", "out_of_range"),
        ("reburied", "Yes", "not_yes_or_no"),
        ("reburied", "1", "not_yes_or_no"),
        ("outcome", "Recovered", "not_a_choice"),
        ("outcome", "lost", "not_a_choice"),
        ("trial", "pots 2026", "not_a_code"),
        ("trial", "A", "not_a_code"),
        ("trial", "A" * 41, "not_a_code"),
        ("bag_label", "1.2E+05", "mangled_by_spreadsheet"),
        ("bag_label", "4-Mar", "mangled_by_spreadsheet"),
        ("bag_label", "2026-03-04 00:00:00", "mangled_by_spreadsheet"),
        ("retrieved_on", "03/04/26", "ambiguous_date"),
        ("retrieved_on", "3.4.2026", "ambiguous_date"),
        ("retrieved_on", "04/25/2026", "not_iso_date"),
        ("retrieved_on", "2026-4-7", "not_iso_date"),
        ("retrieved_on", "2026-04-07T00:00:00", "not_iso_date"),
        ("retrieved_on", "2026-02-29", "no_such_date"),
        ("retrieved_on", "1026-02-01", "no_such_date"),
        ("retrieved_on", "yesterday", "not_iso_date"),
        ("notes", "x" * 2001, "too_long"),
        ("notes", "a\x1bb", "control_character"),
        ("observer", "a\0b", "control_character"),
    ],
)
def test_other_cells_are_explained_too(column: str, cell: str, code: str) -> None:
    found = _fault(RETRIEVALS, column, cell)

    assert found is not None
    assert found[0] == code


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        ("2026-04-21", "date_without_time"),
        ("03/04/2026 10:00", "ambiguous_date"),
        ("21/04/2026 10:00", "not_iso_datetime"),
        ("46133.4167", "spreadsheet_date_number"),
        ("2026-04-21T10", "not_iso_datetime"),
        ("0026-04-21T10:00", "not_iso_datetime"),
        ("2026-04-21T10:00 CEST", "not_iso_datetime"),
    ],
)
def test_a_time_that_is_no_time_is_explained(cell: str, code: str) -> None:
    found = _fault(TURNINGS, "turned_at", cell)

    assert found is not None
    assert found[0] == code


def test_fahrenheit_in_the_celsius_column_is_recognised_with_the_celsius_it_would_be() -> None:
    code, message = _fault(TEMPERATURES, "temperature_c", "140") or ("", "")

    assert code == "looks_like_fahrenheit"
    assert "60.0 °C" in message


def test_both_ends_of_every_range_are_taken_and_just_outside_is_not() -> None:
    for kind in UPLOAD_KINDS.values():
        for column in kind.columns:
            if column.low is None or column.high is None:
                continue
            step = 1 if float(column.low).is_integer() and column.kind.value == "integer" else 1e-6
            assert _fault(kind, column.name, column.low) is None, column
            assert _fault(kind, column.name, column.high) is None, column
            assert _fault(kind, column.name, column.low - step) is not None, column
            assert _fault(kind, column.name, column.high + step) is not None, column


def test_the_example_of_every_column_is_taken() -> None:
    for kind in UPLOAD_KINDS.values():
        for column in kind.columns:
            assert _fault(kind, column.name, column.example) is None, (kind.name, column.name)


def _both_ways(body: bytes, kind: UploadKind) -> tuple[object, object, int]:
    """Values by the fast way (None when it steps back), by the full way, and its faults."""
    book = FaultBook()
    full = read_fully(body, CSV, kind, MOST_ROWS, book)
    fast = read_fast(body, CSV, kind, MOST_ROWS)
    names = kind.column_names
    fast_values = fast and {name: fast.column(name).to_pylist() for name in names}
    return fast_values, {name: full.column(name).to_pylist() for name in names}, book.total


# Cells at the border between what numbers, dates and words may look like.
CELLS = st.one_of(
    st.sampled_from(
        ["", " ", "0", "1", "2.0", "+3", "4.", ".5", "1e1", "1e-400", "1e400", "nan", "inf", "0x2"]
        + ["2026-05-05", " 2026-05-05", "2026-5-5", "2026-02-30", "0000-01-01", "yes", "no", "YES"]
        + [
            "recovered",
            " recovered",
            "B-1",
            "b-1",
            "T1",
            "a\u00a0",
            "\u00a05",
            "5\u2028",
            "-0",
            "--",
        ]
    ),
    st.floats(allow_nan=True).map(repr),
    st.integers(-10, 3000).map(str),
    st.dates().map(str),
    st.text(max_size=6),
)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(*[CELLS] * 5), min_size=1, max_size=4))
@example([("B-1", "2026-05-05", "recovered", "0.1", "2")])
@example([("B-1", "2026-05-05", "recovered", "0.30000000000000004", "2.0")])
def test_what_the_fast_way_takes_the_full_way_takes_alike(rows: list[tuple[str, ...]]) -> None:
    quoted = [
        ",".join('"' + cell.replace('"', '""') + '"' for cell in ("T1", *row)) for row in rows
    ]
    header = "trial,bag_label,retrieved_on,outcome,dry_mass_g,fragmentation"
    body = "\n".join([header, *quoted]).encode("utf-8", "ignore").replace(b"\0", b"")

    fast, full, faults = _both_ways(body, RETRIEVALS)

    if fast is not None:
        assert fast == full
        assert faults == 0


def test_a_well_formed_file_goes_the_fast_way() -> None:
    body = (
        b"trial,bag_label,retrieved_on,outcome,dry_mass_g\nT1,B-1, 2026-05-05, recovered , 4.50\n"
    )

    fast, full, faults = _both_ways(body, RETRIEVALS)

    assert fast is not None
    assert fast == full
    assert faults == 0


def test_json_numbers_and_texts_are_read_like_cells() -> None:
    row = '{"trial":"T1","bag_label":"B-1","retrieved_on":"2026-05-05","outcome":"recovered",'
    cells = '"dry_mass_g":4.50,"fragmentation":"2","reburied":true,"notes":null}'
    tables = [
        read_fully(body, format_, RETRIEVALS, MOST_ROWS, FaultBook()).typed
        for format_, body in (
            (JSON, f"[{row}{cells}]".encode()),
            (NDJSON, f"{row}{cells}\n".encode()),
        )
    ]

    for typed in tables:
        assert typed["dry_mass_g"].to_pylist() == [4.5]
        assert typed["fragmentation"].to_pylist() == [2.0]
        assert typed["reburied"].to_pylist() == ["yes"]
        assert typed["notes"].to_pylist() == [None]


@settings(max_examples=400, deadline=None)
@given(
    body=st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace")),
        st.text(alphabet='[]{}":,\n\\u0aT1', max_size=80).map(str.encode),
        st.text(alphabet='",;\n\r\t0a', max_size=80).map(
            lambda text: (",".join(RETRIEVALS.required) + "\n" + text).encode()
        ),
    ),
    format_=st.sampled_from(FORMATS),
    kind=st.sampled_from(KINDS),
)
@example(b'{"a":1}', NDJSON, "piles")
@example(b'[{"trial":"\\ud800"}]', JSON, "retrievals")
@example(b"trial,bag_label,retrieved_on,outcome\r\r", CSV, "retrievals")
def test_no_bytes_raise_anything_but_an_error_of_the_registry(
    body: bytes, format_: str, kind: str
) -> None:
    book = FaultBook()

    with suppress(RegistryError):
        read_fast(body, format_, UPLOAD_KINDS[kind], MOST_ROWS)
    with suppress(RegistryError):
        read_fully(body, format_, UPLOAD_KINDS[kind], MOST_ROWS, book)

    assert all(fault.code in FAULT_CODES for fault in book.told())
