"""Every pooled number of a released package, computed again from its raw rows.

Needs the package and the science, nothing else: no database, no network, no registry.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from registry.packages.archive import read_archive, sum_faults
from registry.packages.compare import Difference, differences
from registry.packages.derived import with_derived_columns
from registry.packages.descriptor import csv_path, parquet_path
from registry.packages.effect_sizes import effect_sizes
from registry.packages.errors import PackageFault
from registry.packages.estimates import by_identity, label, read_estimates, record_of
from registry.packages.explanations import explanations, facts_of
from registry.packages.files import from_csv, from_parquet, typed
from registry.packages.looks import comparison_settings, looks_of, pooling_settings
from registry.packages.shapes import ExportTable
from registry.packages.tables import BY_NAME, LAYOUT_VERSION, TABLES
from registry.science.formulation import contrasted
from registry.science.pooling import MODEL_VERSION, pool_trial
from registry.science.types import FitDidNotConverge, ScienceError

# The same code on another processor may round its last digits differently; nothing more.
TOLERANCE = 1e-6
MOST_FAULTS_PER_TABLE = 20


@dataclass(frozen=True, slots=True)
class RecomputeReport:
    """What a recomputation found; `faults` are sentences, empty when the package holds.

    `largest` is the largest relative difference of a pooled number, and `where` names that number.
    """

    trial: str
    version: str
    model_version: str
    n_estimates: int = 0
    n_numbers: int = 0
    largest: float = 0.0
    where: str = ""
    faults: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())

    @property
    def ok(self) -> bool:
        return not self.faults


def recompute(path: str | Path) -> RecomputeReport:
    """Verify a release package and pool it again.

    Checks, in this order: the checksums; CSV against Parquet, cell by cell; keys between tables;
    every derived column, effect size and explanation against the raw rows; every number of
    `estimates.json` against a new pooling.

    Raises
    ------
    PackageFault when the file is no release package at all.
    """
    files = read_archive(Path(path))
    described = _descriptor(files)
    faults = sum_faults(files)
    tables, table_faults = _read_tables(files)
    faults += table_faults
    report = RecomputeReport(
        trial=str(described.get("trial", "")),
        version=str(described.get("version", "")),
        model_version=str(described.get("modelVersion", "")),
        notes=_notes(described),
    )
    if tables is None:
        return _with(report, faults=tuple(faults))
    try:
        return _recomputed(report, files, tables, faults)
    except (PackageFault, ScienceError, FitDidNotConverge) as error:
        faults.append(f"The rows of this package cannot be pooled again: {error}")
        return _with(report, faults=tuple(faults))


def _recomputed(
    report: RecomputeReport,
    files: Mapping[str, bytes],
    tables: dict[str, pd.DataFrame],
    faults: list[str],
) -> RecomputeReport:
    stated = read_estimates(files.get("estimates.json", b""))
    faults += _key_faults(tables)
    again = with_derived_columns(tables)
    for name in ("piles", "retrievals"):
        faults += _column_faults(BY_NAME[name], tables[name], again[name])
    primary_day, schedule = pooling_settings(again)
    window_days, reference = comparison_settings(again)
    pooled = pool_trial(
        looks_of(again),
        primary_day=primary_day,
        schedule_days=schedule,
        window_days=window_days,
        reference_material=reference,
        families=contrasted(facts_of(again)),
    )
    found = [record_of(item) for item in pooled]
    effects = effect_sizes(again, found)
    faults += _column_faults(BY_NAME["effect_sizes"], tables["effect_sizes"], effects)
    explained = explanations(again, effects)
    faults += _column_faults(BY_NAME["explanations"], tables["explanations"], explained)
    leaves, missing = _compare_estimates(stated, found)
    faults += missing
    faults += [
        f"{leaf.where} is {leaf.stated!r} in estimates.json and {leaf.found!r} recomputed."
        for leaf in leaves
        if leaf.relative > TOLERANCE
    ]
    worst = max(leaves, key=lambda leaf: leaf.relative, default=None)
    return _with(
        report,
        n_estimates=len(stated),
        n_numbers=sum(isinstance(leaf.stated, int | float) for leaf in leaves),
        largest=worst.relative if worst else 0.0,
        where=worst.where if worst and worst.relative > 0 else "",
        faults=tuple(faults),
    )


def _with(report: RecomputeReport, **changes: object) -> RecomputeReport:
    values = {name: getattr(report, name) for name in RecomputeReport.__dataclass_fields__}
    return RecomputeReport(**{**values, **changes})


def _descriptor(files: Mapping[str, bytes]) -> dict[str, object]:
    try:
        described = json.loads(files["datapackage.json"])
        layout = described["layoutVersion"]
    except (KeyError, ValueError, TypeError) as error:
        raise PackageFault(
            "This zip is not a release package: no datapackage.json of ours."
        ) from error
    if layout != LAYOUT_VERSION:
        raise PackageFault(
            f"The package has layout {layout}; this version of the software reads {LAYOUT_VERSION}."
        )
    return dict(described)


def _notes(described: Mapping[str, object]) -> tuple[str, ...]:
    made_by = described.get("modelVersion")
    if made_by == MODEL_VERSION:
        return ()
    return (
        f"Made by model version {made_by}; this software has {MODEL_VERSION}: numbers may differ.",
    )


def _read_tables(files: Mapping[str, bytes]) -> tuple[dict[str, pd.DataFrame] | None, list[str]]:
    """Frames of all tables, or None when one cannot be read; and what is wrong with the files."""
    frames: dict[str, pd.DataFrame] = {}
    faults: list[str] = []
    for table in TABLES:
        read: list[pa.Table] = []
        for name, reader in ((csv_path(table), from_csv), (parquet_path(table), from_parquet)):
            if name not in files:
                faults.append(f"{name} is missing.")
                continue
            try:
                read.append(reader(table, files[name]))
            except PackageFault as error:
                faults.append(f"{name}: {error.message}")
        if len(read) == 2:
            faults += _unequal(table, *read)
        if read:
            frames[table.name] = read[0].to_pandas(integer_object_nulls=True, date_as_object=True)
    return (frames if len(frames) == len(TABLES) else None), faults


def _unequal(table: ExportTable, csv_rows: pa.Table, parquet_rows: pa.Table) -> Iterator[str]:
    if csv_rows.equals(parquet_rows):
        return
    if csv_rows.num_rows != parquet_rows.num_rows:
        yield (
            f"{csv_path(table)} has {csv_rows.num_rows} rows, "
            f"{parquet_path(table)} has {parquet_rows.num_rows}."
        )
        return
    yield from _cell_faults(
        table,
        csv_rows.to_pandas(integer_object_nulls=True),
        parquet_rows.to_pandas(integer_object_nulls=True),
        f"{csv_path(table)} and {parquet_path(table)} differ",
    )


def _key_faults(tables: Mapping[str, pd.DataFrame]) -> Iterator[str]:
    """Rows that name a row of another table which is not there."""
    for table in TABLES:
        for link in table.foreign_keys:
            named = tables[table.name][list(link.fields)].dropna().drop_duplicates()
            known = tables[link.table][list(link.reference)].drop_duplicates()
            known.columns = list(link.fields)
            missing = len(named) - len(named.merge(known, on=list(link.fields)))
            if missing:
                yield (
                    f"{csv_path(table)} names {missing} {link.table} that "
                    f"{csv_path(BY_NAME[link.table])} does not have."
                )


def _column_faults(
    table: ExportTable, stated: pd.DataFrame, computed: pd.DataFrame
) -> Iterator[str]:
    """Cells of a table that do not follow from the raw rows."""
    again = typed(table, computed).to_pandas(integer_object_nulls=True, date_as_object=True)
    if len(again) != len(stated):
        yield f"{csv_path(table)} has {len(stated)} rows; the raw rows give {len(again)}."
        return
    order = list(table.key)
    stated = stated.sort_values(order, kind="stable", na_position="last").reset_index(drop=True)
    again = again.sort_values(order, kind="stable", na_position="last").reset_index(drop=True)
    yield from _cell_faults(
        table, stated, again, f"{csv_path(table)} does not follow from its rows"
    )


def _cell_faults(
    table: ExportTable, left: pd.DataFrame, right: pd.DataFrame, what: str
) -> Iterator[str]:
    """Differing cells of two frames with the same rows, the first few in words."""
    found = 0
    for name in table.column_names:
        one, other = left[name], right[name]
        unequal = ~(one.eq(other) | (one.isna() & other.isna()))
        for row in np.flatnonzero(unequal):
            if _cell_difference(one[row], other[row]) <= TOLERANCE:
                continue
            found += 1
            if found <= MOST_FAULTS_PER_TABLE:
                said = f"{_said(one[row])} against {_said(other[row])}"
                yield f"{what}: row {row + 1}, {name}: {said}."
    if found > MOST_FAULTS_PER_TABLE:
        yield f"{what}: {found} cells in all."


def _cell_difference(one: object, other: object) -> float:
    (leaf,) = differences(_no_nan(one), _no_nan(other))
    return leaf.relative


def _no_nan(value: object) -> object:
    return None if pd.isna(value) else value


def _said(value: object) -> str:
    return "blank" if _no_nan(value) is None else repr(value)


def _compare_estimates(
    stated: list[dict[str, object]], found: list[dict[str, object]]
) -> tuple[list[Difference], list[str]]:
    before, after = by_identity(stated), by_identity(found)
    faults = [
        f"estimates.json has no {label(after[key])}, which the rows give."
        for key in sorted(after.keys() - before.keys())
    ]
    faults += [
        f"estimates.json has {label(before[key])}, which the rows do not give."
        for key in sorted(before.keys() - after.keys())
    ]
    leaves = [
        leaf
        for key in sorted(before.keys() & after.keys())
        for leaf in differences(before[key], after[key], label(before[key]))
    ]
    return leaves, faults
