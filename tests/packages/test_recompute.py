"""A released package recomputed from its rows: exact when untouched, reported when touched."""

import io
import json
import os
import subprocess
import sys
import zipfile
from dataclasses import asdict
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from registry.packages.archive import SUMS, read_archive, write_archive
from registry.packages.build import build_package
from registry.packages.derived import with_derived_columns
from registry.packages.errors import PackageFault
from registry.packages.files import from_csv, to_csv, to_parquet, typed
from registry.packages.looks import looks_of, pooling_settings
from registry.packages.recompute import recompute
from registry.packages.tables import BY_NAME
from registry.science.pooling import pool_trial
from tests.packages.small_trial import META, small_trial

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    """The small trial, pooled and packed."""
    path = tmp_path_factory.mktemp("release") / "p.zip"
    tables = with_derived_columns(small_trial())
    primary_day, schedule = pooling_settings(tables)
    pooled = pool_trial(looks_of(tables), primary_day=primary_day, schedule_days=schedule)
    build_package(tables, [asdict(found) for found in pooled], META, path)
    return path


def changed(package, tmp_path, changes, *, mend=True):
    """A copy of the package with some files changed, its checksums mended unless told not to."""
    files = read_archive(package)
    sums = files.pop(SUMS)
    files.update(changes)
    path = tmp_path / "changed.zip"
    write_archive(path, files, at=META.created_at)
    if not mend:
        unmended = {**files, SUMS: sums}
        _write_as_is(path, unmended)
    return path


def _write_as_is(path, files):
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)


def with_cell(package, table, row, column, value):
    """CSV and Parquet of a table after one cell was changed in both."""
    declared = BY_NAME[table]
    place = "effect_sizes.csv" if table == "effect_sizes" else f"data/{table}.csv"
    frame = from_csv(declared, read_archive(package)[place]).to_pandas(
        integer_object_nulls=True, date_as_object=True
    )
    frame[column] = frame[column].astype(object)
    frame.loc[row, column] = value
    rows = typed(declared, frame)
    return {place: to_csv(declared, rows), f"data/{table}.parquet": to_parquet(rows)}


def faults_of(path):
    return " | ".join(recompute(path).faults)


def test_an_untouched_package_recomputes_exactly(package):
    report = recompute(package)

    assert report.faults == ()
    assert report.largest <= 1e-9
    assert report.n_estimates >= 6
    assert report.n_numbers > 100
    assert (report.trial, report.version) == ("POTS-2026", "1")


def test_a_changed_cell_breaks_the_checksum_and_the_file_is_named(package, tmp_path):
    content = read_archive(package)["data/feedstocks.csv"].replace(b"straw", b"stray")
    path = changed(package, tmp_path, {"data/feedstocks.csv": content}, mend=False)

    assert "data/feedstocks.csv has been changed" in faults_of(path)


def test_a_cell_changed_in_the_csv_alone_differs_from_the_parquet_though_sums_are_mended(
    package, tmp_path
):
    content = read_archive(package)["data/feedstocks.csv"].replace(b"straw", b"stray")
    path = changed(package, tmp_path, {"data/feedstocks.csv": content})

    assert "row 1, ingredient: 'stray' against 'straw'" in faults_of(path)


def test_a_mass_changed_everywhere_contradicts_its_derived_columns_and_the_estimates(
    package, tmp_path
):
    path = changed(package, tmp_path, with_cell(package, "retrievals", 10, "dry_mass_g", 3.21))

    report = recompute(path)

    faults = " | ".join(report.faults)
    assert "remaining" in faults
    assert "estimates.json" in faults
    assert report.largest > 1e-6
    assert report.where.split()[0] in ("COIR-POT", "WOOL-MAT")


@pytest.mark.parametrize(
    ("table", "row", "column", "value", "named"),
    [
        ("bags", 5, "initial_mass_g", 15.0, "start_dry_g"),
        ("bags", 5, "initial_moisture_pct", None, "start_dry_g"),
        ("retrievals", 7, "remaining", 0.123, "remaining"),
        ("retrievals", 7, "day", 15.0, "day"),
        ("retrievals", 7, "excluded", True, "excluded"),
        ("temperatures", 3, "temperature_c", 70.0, "highest_c"),
        ("piles", 0, "heat_class", "hot", "heat_class"),
        ("feedstocks", 0, "moisture_pct", 50.0, "recipe_moisture_pct"),
        ("flags", 0, "decision", "accept", "excluded"),
        ("trials", 0, "detection_limit", 0.05, "detection_limit"),
        ("effect_sizes", 0, "effect", 12.5, "effect"),
        ("explanations", 0, "code", "answered", "code"),
    ],
)
def test_one_changed_cell_with_everything_else_mended_is_still_reported(
    package, tmp_path, table, row, column, value, named
):
    path = changed(package, tmp_path, with_cell(package, table, row, column, value))

    assert named in faults_of(path)


def test_a_changed_estimate_is_reported_with_both_numbers(package, tmp_path):
    stated = json.loads(read_archive(package)["estimates.json"])
    rate = next(item for item in stated["estimates"] if item["outcome"] == "decay_rate")
    was = rate["estimate"]
    rate["estimate"] = was * (1 + 1e-5)
    path = changed(package, tmp_path, {"estimates.json": json.dumps(stated).encode()})

    report = recompute(path)

    assert report.largest == pytest.approx(1e-5, rel=1e-3)
    assert report.where == f"{rate['material']} decay_rate {rate['model']} all.estimate"
    assert repr(was) in " | ".join(report.faults)


def test_a_missing_and_an_invented_estimate_are_reported(package, tmp_path):
    stated = json.loads(read_archive(package)["estimates.json"])
    stated["estimates"][0]["material"] = "NO-SUCH"
    path = changed(package, tmp_path, {"estimates.json": json.dumps(stated).encode()})

    faults = faults_of(path)

    assert "which the rows give" in faults
    assert "which the rows do not give" in faults


def test_a_deleted_row_is_reported(package, tmp_path):
    declared = BY_NAME["retrievals"]
    rows = from_csv(declared, read_archive(package)["data/retrievals.csv"]).slice(1)
    files = {
        "data/retrievals.csv": to_csv(declared, rows),
        "data/retrievals.parquet": to_parquet(rows),
    }

    assert "estimates.json" in faults_of(changed(package, tmp_path, files))


def test_a_row_that_names_a_missing_row_is_reported(package, tmp_path):
    path = changed(package, tmp_path, with_cell(package, "turnings", 0, "pile", "P9"))

    assert "data/turnings.csv names 1 piles" in faults_of(path)


@pytest.mark.parametrize(
    ("name", "content", "named"),
    [
        ("data/bags.csv", b"not,a,table\n", "data/bags.csv"),
        ("data/bags.parquet", b"PAR1 broken", "data/bags.parquet"),
        ("estimates.json", b"{", "estimates.json"),
    ],
)
def test_a_file_that_cannot_be_read_is_reported_not_raised(package, tmp_path, name, content, named):
    path = changed(package, tmp_path, {name: content})

    assert named in faults_of(path)


def test_a_zip_of_something_else_is_refused(package, tmp_path):
    path = tmp_path / "other.zip"
    write_archive(path, {"a.txt": b"1"}, at=META.created_at)

    with pytest.raises(PackageFault, match="not a release package"):
        recompute(path)


def test_a_package_of_another_layout_is_refused(package, tmp_path):
    described = json.loads(read_archive(package)["datapackage.json"])
    described["layoutVersion"] = 99
    path = changed(package, tmp_path, {"datapackage.json": json.dumps(described).encode()})

    with pytest.raises(PackageFault, match="layout 99"):
        recompute(path)


def test_parquet_holds_the_declared_types_and_no_index(package):
    table = pq.read_table(io.BytesIO(read_archive(package)["data/retrievals.parquet"]))

    assert str(table.schema.field("retrieved_on").type) == "date32[day]"
    assert str(table.schema.field("dry_mass_g").type) == "double"
    assert table.column_names == list(BY_NAME["retrievals"].column_names)


def _coheap(*arguments, data_dir):
    """The command as a person runs it, with a database that would refuse any connection."""
    environment = {
        **os.environ,
        "DATABASE_URL": "postgres://nobody@127.0.0.1:9/none",
        "DATA_DIR": str(data_dir),
    }
    return subprocess.run(
        [sys.executable, "-m", "registry", *map(str, arguments)],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
    )


def test_the_command_needs_no_database_and_exits_0_or_1(package, tmp_path):
    content = read_archive(package)["data/feedstocks.csv"].replace(b"straw", b"stray")
    broken = changed(package, tmp_path, {"data/feedstocks.csv": content})

    good = _coheap("recompute", package, data_dir=tmp_path)
    bad = _coheap("recompute", broken, "--json", data_dir=tmp_path)
    absent = _coheap("recompute", tmp_path / "none.zip", data_dir=tmp_path)

    assert good.returncode == 0, good.stderr
    assert "every estimate agree" in good.stdout
    assert bad.returncode == 1
    assert json.loads(bad.stdout)["ok"] is False
    assert absent.returncode == 1
    assert "cannot be read" in absent.stderr
    assert "Traceback" not in absent.stderr
