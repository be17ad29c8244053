"""What a release changes against the one before it: rows, exclusions, and estimates that moved.

Compared are the raw columns of every table by its key, and every estimate by its identity. The
pseudonyms of observers may shift when a new person joins, and a finding's number counts anew in
each release, so neither is taken for a change.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from registry.packages.archive import read_archive
from registry.packages.descriptor import parquet_path
from registry.packages.errors import PackageFault
from registry.packages.estimates import IDENTITY, Record, identity, read_estimates
from registry.packages.files import parquet_frame, typed
from registry.packages.shapes import ExportTable, Tables
from registry.packages.tables import BY_NAME, DATA_TABLES

NOT_COMPARED = frozenset({"observer", "revision"})
COMPARED_TABLES = tuple(table for table in DATA_TABLES if table.name != "flags")
# Below this an estimate has not moved: another machine's last digits.
MOVED_ABOVE = 1e-9
# Of one column, listed one by one; the counts are always of all.
MOST_CELLS = 5_000
LOOK = ["trial", "bag_label", "retrieved_on"]
NUMBERS = ("estimate", "ci_low", "ci_high", "pi_low", "pi_high")


@dataclass(frozen=True, slots=True)
class Before:
    """What is needed of the package of the version before."""

    version: int
    tables: Mapping[str, pd.DataFrame]
    estimates: Sequence[Record]


def read_before(path: Path) -> Before:
    """The tables and estimates of a package. Raises PackageFault when it cannot be read."""
    files = read_archive(path)
    try:
        version = int(json.loads(files["datapackage.json"])["version"])
        tables = {table.name: parquet_frame(files[parquet_path(table)]) for table in DATA_TABLES}
        return Before(version, tables, read_estimates(files["estimates.json"]))
    except (KeyError, ValueError, pa.ArrowInvalid) as error:
        raise PackageFault(f"The package before this one cannot be read: {error!r}") from error


def changes_since(
    before: Before | None, full: Tables, estimates: Sequence[Record], *, version: int
) -> dict[str, Any]:
    """Counts of changed rows per table, changed looks one by one, and estimates that moved."""
    if before is None:
        return {"version": version, "previous_version": None}
    now = {table.name: parquet_frame_of(table, full[table.name]) for table in COMPARED_TABLES}
    looks = _Pair(BY_NAME["retrievals"], before.tables["retrievals"], now["retrievals"])
    return {
        "version": version,
        "previous_version": before.version,
        "tables": {
            table.name: _Pair(table, before.tables[table.name], now[table.name]).counts()
            for table in COMPARED_TABLES
        },
        "looks": {
            "corrected": looks.changed_cells(),
            "newly_excluded": looks.switched(to=True),
            "taken_back_in": looks.switched(to=False),
        },
        "estimates": _moved(before.estimates, estimates),
    }


def parquet_frame_of(table: ExportTable, frame: pd.DataFrame) -> pd.DataFrame:
    """A frame as it will be read back, so that both sides have the same types."""
    return typed(table, frame).to_pandas(integer_object_nulls=True, date_as_object=True)


class _Pair:
    """One table before and now, lined up by its key."""

    def __init__(self, table: ExportTable, before: pd.DataFrame, now: pd.DataFrame) -> None:
        key = list(table.key)
        self._before, self._now = before.set_index(key), now.set_index(key)
        self._both = self._now.index.intersection(self._before.index, sort=False).sort_values()
        # A column that one of the two does not have is no change of its rows.
        self._raw = [
            name
            for name in table.column_names
            if name not in table.derived | NOT_COMPARED
            and name in self._before.columns
            and name in self._now.columns
        ]

    def counts(self) -> dict[str, int]:
        changed = np.zeros(len(self._both), dtype=bool)
        for name in self._raw:
            changed |= self._differs(name)
        return {
            "added": len(self._now) - len(self._both),
            "removed": len(self._before) - len(self._both),
            "changed": int(changed.sum()),
        }

    def changed_cells(self) -> list[dict[str, Any]]:
        return [
            dict(zip(LOOK, _plain(key), strict=True))
            | {
                "field": name,
                "before": _cell(self._before.at[key, name]),
                "after": _cell(self._now.at[key, name]),
            }
            for name in self._raw
            for key in self._both[self._differs(name)][:MOST_CELLS]
        ]

    def switched(self, *, to: bool) -> list[dict[str, Any]]:
        was = self._before.loc[self._both, "excluded"].to_numpy(dtype=bool)
        now = self._now.loc[self._both, "excluded"]
        keys = self._both[(was != to) & (now.to_numpy(dtype=bool) == to)]
        reasons = self._now["exclusion_reason"]
        return [
            dict(zip(LOOK, _plain(key), strict=True)) | {"reason": _cell(reasons.at[key])}
            for key in keys
        ]

    def _differs(self, name: str) -> np.ndarray:
        one = self._before.loc[self._both, name].to_numpy(dtype=object)
        other = self._now.loc[self._both, name].to_numpy(dtype=object)
        blank = pd.isna(one), pd.isna(other)
        return np.asarray((blank[0] != blank[1]) | (~blank[0] & ~blank[1] & (one != other)))


def _plain(key: tuple[Any, ...]) -> list[Any]:
    return [_cell(part) for part in key]


def _cell(value: Any) -> Any:
    """A cell as JSON can hold it."""
    if pd.isna(value):
        return None
    if isinstance(value, str | bool | int | float):
        return value
    return value.item() if isinstance(value, np.generic) else value.isoformat()


def _moved(before: Sequence[Record], now: Sequence[Record]) -> dict[str, Any]:
    old = {identity(record): record for record in before}
    new = {identity(record): record for record in now}
    both = sorted(old.keys() & new.keys())
    moved = [_difference(old[key], new[key]) for key in both]
    return {
        "added": [_named(new[key]) for key in sorted(new.keys() - old.keys())],
        "removed": [_named(old[key]) for key in sorted(old.keys() - new.keys())],
        "moved": [item for item in moved if item is not None],
        "unmoved": sum(item is None for item in moved),
    }


def _difference(old: Record, new: Record) -> dict[str, Any] | None:
    one, other = old["estimate"], new["estimate"]
    if one == other or (one and other and abs(other / one - 1.0) <= MOVED_ABOVE):
        return None
    item = _named(new) | {
        "unit": new["unit"],
        "before": {name: old[name] for name in NUMBERS},
        "after": {name: new[name] for name in NUMBERS},
        "change_pct": None,
        "change_in_standard_errors": None,
    }
    if one and other is not None:
        item["change_pct"] = 100.0 * (other / one - 1.0)
    error = old["log_standard_error"]
    if one and other and error and one > 0 and other > 0:
        item["change_in_standard_errors"] = math.log(other / one) / error
    return item


def _named(record: Record) -> dict[str, Any]:
    return {name: record.get(name) for name in IDENTITY}
