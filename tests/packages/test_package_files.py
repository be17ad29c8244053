"""Tables as files: the same rows come back from CSV and Parquet, to the last bit."""

import csv
import hashlib
import io
import zipfile
from datetime import UTC, date, datetime

import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.columns import Kind
from registry.csv_text import FORMULA_STARTS, guarded, unguarded
from registry.packages import archive
from registry.packages.citation import citation_cff, datacite
from registry.packages.compare import differences, relative_difference
from registry.packages.descriptor import FIELD_TYPES, table_schema
from registry.packages.errors import PackageFault
from registry.packages.files import TYPES, from_csv, from_parquet, to_csv, to_parquet, typed
from registry.packages.tables import BY_NAME, TABLES
from tests.packages.small_trial import META, small_trial

COMPOSITIONS = BY_NAME["compositions"]
SITES = BY_NAME["sites"]
TEMPERATURES = BY_NAME["temperatures"]


def readings(values: list[float]) -> pd.DataFrame:
    moments = pd.date_range("2026-04-07T10:00:00", periods=len(values), freq="h")
    return pd.DataFrame(
        {
            "site": "EAST",
            "pile": "P1",
            "probe": "CORE",
            "measured_at": moments,
            "temperature_c": values,
        }
    )


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=5))
def test_every_number_comes_back_from_csv_and_parquet_to_the_last_bit(values):
    rows = typed(TEMPERATURES, readings(values))

    assert from_csv(TEMPERATURES, to_csv(TEMPERATURES, rows)).equals(rows)
    assert from_parquet(TEMPERATURES, to_parquet(rows)).equals(rows)


def test_text_with_commas_quotes_line_breaks_and_blanks_comes_back():
    rows = typed(SITES, small_trial()["sites"])

    back = from_csv(SITES, to_csv(SITES, rows))

    assert back.equals(rows)
    assert back["name"].to_pylist()[1] == 'North, "upper" yard'
    assert back["latitude"].to_pylist() == [52.1, None, 51.9]


def test_csv_is_iso_8601_utc_with_a_plain_header():
    text = to_csv(TEMPERATURES, typed(TEMPERATURES, readings([58.4]))).decode()

    assert text.splitlines()[0] == "site,pile,probe,measured_at,temperature_c"
    assert "2026-04-07T10:00:00Z" in text
    assert text.endswith(",58.4\n")


def test_rows_are_put_in_the_order_of_their_key():
    shuffled = small_trial()["bags"].sample(frac=1, random_state=1)

    rows = typed(BY_NAME["bags"], shuffled)

    assert rows.equals(typed(BY_NAME["bags"], small_trial()["bags"]))


def test_an_undeclared_column_a_repeated_key_and_a_missing_value_are_refused():
    sites = small_trial()["sites"]

    with pytest.raises(PackageFault, match="undeclared"):
        typed(SITES, sites.assign(owner="x"))
    with pytest.raises(PackageFault, match="same site"):
        typed(SITES, pd.concat([sites, sites.head(1)]))
    with pytest.raises(PackageFault, match="lacks values of name"):
        typed(SITES, sites.assign(name=["a", "", "c"]))


def test_a_word_where_a_number_belongs_is_refused_with_the_table_named():
    content = b"site,pile,probe,measured_at,temperature_c\nEAST,P1,CORE,2026-04-07T10:00:00Z,warm\n"

    with pytest.raises(PackageFault, match="temperatures"):
        from_csv(TEMPERATURES, content)


def test_a_csv_with_another_header_is_refused():
    with pytest.raises(PackageFault, match="has the columns"):
        from_csv(TEMPERATURES, b"site,pile\nEAST,P1\n")


def test_every_kind_of_column_has_a_file_type_and_a_schema_type():
    assert set(TYPES) == set(FIELD_TYPES) == set(Kind)


def test_every_number_of_a_table_has_a_unit_or_is_a_count_or_score():
    without = {
        column.name
        for table in TABLES
        for column in table.columns
        # The evidence of a finding names its unit in a column of its own.
        if column.kind is Kind.NUMBER and not column.unit and "in `unit`" not in column.meaning
    }

    assert without == set()


def test_foreign_keys_name_declared_columns():
    for table in TABLES:
        for link in table.foreign_keys:
            assert set(link.fields) <= set(table.column_names)
            assert set(link.reference) <= set(BY_NAME[link.table].column_names)


def test_the_schema_carries_units_ranges_choices_keys_and_missing_reasons():
    schema = table_schema(BY_NAME["retrievals"])
    fields = {field["name"]: field for field in schema["fields"]}

    assert fields["dry_mass_g"]["unit"] == "g"
    assert fields["drying_c"]["unit"] == "Cel"
    assert fields["ash_pct"]["constraints"] == {"minimum": 0, "maximum": 100}
    assert "bag_lost" in fields["missing_reason"]["constraints"]["enum"]
    assert fields["remaining"]["derived"] is True
    assert schema["primaryKey"] == ["trial", "bag_label", "retrieved_on"]
    assert {
        "fields": ["material"],
        "reference": {"resource": "materials", "fields": ["material"]},
    } in (schema["foreignKeys"])


def test_the_archive_is_sorted_timed_and_checked(tmp_path):
    at = datetime(2026, 9, 1, 12, 30, 15, tzinfo=UTC)

    first = archive.write_archive(tmp_path / "a.zip", {"b.txt": b"2", "a.txt": b"1"}, at=at)
    second = archive.write_archive(tmp_path / "b.zip", {"a.txt": b"1", "b.txt": b"2"}, at=at)

    assert first == second == hashlib.sha256((tmp_path / "a.zip").read_bytes()).hexdigest()
    with zipfile.ZipFile(tmp_path / "a.zip") as found:
        assert found.namelist() == ["SHA256SUMS", "a.txt", "b.txt"]
        assert {item.date_time for item in found.infolist()} == {(2026, 9, 1, 12, 30, 14)}
    assert archive.sum_faults(archive.read_archive(tmp_path / "a.zip")) == []
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.zip", "b.zip"]


def test_a_failed_write_leaves_no_file_behind(tmp_path):
    with pytest.raises(TypeError):
        archive.write_archive(tmp_path / "a.zip", {"a.txt": 3.5}, at=META.created_at)

    assert list(tmp_path.iterdir()) == []


def test_changed_missing_and_added_files_are_each_named():
    files = {"a.txt": b"1", "b.txt": b"2"}
    files["SHA256SUMS"] = archive.sums_text(files).encode()
    changed = {**files, "a.txt": b"9", "c.txt": b"3"}
    del changed["b.txt"]

    faults = " ".join(archive.sum_faults(changed))

    assert "a.txt has been changed" in faults
    assert "b.txt is listed" in faults
    assert "c.txt is not listed" in faults
    assert archive.sum_faults({"a.txt": b"1"}) != []


def test_no_zip_is_a_named_fault(tmp_path):
    (tmp_path / "a.zip").write_bytes(b"not a zip")

    with pytest.raises(PackageFault, match="cannot be read as a zip"):
        archive.read_archive(tmp_path / "a.zip")


def test_relative_differences_by_hand():
    assert relative_difference(1.0, 1.0) == 0.0
    assert relative_difference(2.0, 1.0) == 0.5
    assert relative_difference(1e-17, 0.0) == 0.0
    assert relative_difference(None, 0.0) == float("inf")
    assert relative_difference(None, "") == 0.0
    assert relative_difference("hot", "cool") == float("inf")
    assert relative_difference(True, False) == float("inf")


def test_lists_are_matched_by_what_names_their_items():
    stated = {"sites": [{"site": "A", "estimate": 1.0}, {"site": "B", "estimate": 2.0}]}
    found = {"sites": [{"site": "B", "estimate": 2.0}, {"site": "A", "estimate": 4.0}]}

    leaves = {leaf.where: leaf.relative for leaf in differences(stated, found)}

    assert leaves[".sites[A].estimate"] == 0.75
    assert leaves[".sites[B].estimate"] == 0.0


def test_an_item_on_one_side_only_is_a_difference():
    both = [{"site": "A"}, {"site": "B"}]

    assert max(leaf.relative for leaf in differences(both, both[:1])) == float("inf")
    assert max(leaf.relative for leaf in differences(both[:1], both)) == float("inf")


def test_datacite_has_what_the_schema_requires_and_nothing_it_forbids():
    # Required and allowed top-level properties of the DataCite 4.5 JSON schema (required list read
    # in the schema file of the datacite Python package; the allowed list is the part used here).
    required = {"creators", "titles", "publisher", "publicationYear", "types", "schemaVersion"}
    allowed = required | {
        *("version", "language", "subjects", "dates", "formats", "rightsList", "descriptions"),
        "alternateIdentifiers",
    }

    record = datacite(META)

    assert required <= record.keys() <= allowed
    assert record["schemaVersion"] == "http://datacite.org/schema/kernel-4"
    assert record["publicationYear"] == "2026"
    assert record["creators"][0]["nameIdentifiers"][0]["nameIdentifier"].startswith("https://ror")


def test_the_citation_file_names_every_contributor_and_the_version():
    text = citation_cff(META)

    assert text.startswith("cff-version: 1.2.0\n")
    assert "type: dataset" in text
    assert f"date-released: {date(2026, 9, 1)}" in text
    assert '- name: "Institute of \\"Heaps\\""' in text


@given(
    texts=st.lists(
        st.text(alphabet="'=+-@\t＝x1 \n", min_size=1, max_size=6), min_size=1, max_size=8
    )
)
def test_no_text_of_a_csv_starts_as_a_formula_and_every_text_comes_back(texts):
    rows = pa.table(
        {
            "material": [f"M-{number}" for number in range(len(texts))],
            "component": texts,
            "function": ["fibre"] * len(texts),
            "mass_pct": [-1.5] * len(texts),
        }
    )

    content = to_csv(COMPOSITIONS, rows)

    written = [row[1] for row in csv.reader(io.StringIO(content.decode(), newline=""))][1:]
    assert not any(cell.startswith(tuple(FORMULA_STARTS)) for cell in written)
    assert b",-1.5" in content
    again = from_csv(COMPOSITIONS, content)
    assert sorted(again["component"].to_pylist()) == sorted(texts)


@given(text=st.text(alphabet="'=+-@\t＝x1 ", max_size=6))
def test_guarding_a_text_is_undone_exactly(text):
    assert unguarded(guarded(text)) == text
