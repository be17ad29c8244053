"""A release package from its tables and estimates: a pure function, the same bytes every time."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd
import pyarrow as pa

from registry.packages.archive import write_archive
from registry.packages.changes import Before, changes_since, read_before
from registry.packages.changes_words import changes_md
from registry.packages.citation import citation_cff, datacite
from registry.packages.derived import with_derived_columns
from registry.packages.descriptor import csv_path, describe, parquet_path
from registry.packages.effect_sizes import effect_sizes
from registry.packages.errors import PackageFault
from registry.packages.estimates import Record, estimates_json, to_json
from registry.packages.explanations import explanations
from registry.packages.files import to_csv, to_parquet, typed
from registry.packages.linked_data import dataset_jsonld
from registry.packages.meta import ReleaseMeta
from registry.packages.tables import DATA_TABLES, TABLES
from registry.packages.words import methods_md, readme_md


def build_package(
    tables: Mapping[str, pd.DataFrame],
    estimates: Sequence[Record],
    meta: ReleaseMeta,
    path: Path,
    previous: Path | None = None,
) -> str:
    """Write the package of a release and return the SHA-256 of the zip.

    Parameters
    ----------
    tables : one frame per table of `DATA_TABLES`, with its declared columns. `retrievals` may leave
        out its derived columns; they are computed here in any case.
    estimates : records in the shape of section 5 of the contract, with `sites`.
    meta : facts about the release.
    path : where the zip goes; written whole or not at all.
    previous : the package of the version before, to tell what changed since.

    Raises
    ------
    PackageFault when a table is missing or does not fit its declaration.
    """
    full = complete_tables(tables, estimates)
    before = None if previous is None else read_before(previous)
    files = package_files(full, estimates, meta, before)
    return write_archive(path, files, at=meta.created_at)


def complete_tables(
    tables: Mapping[str, pd.DataFrame], estimates: Sequence[Record]
) -> dict[str, pd.DataFrame]:
    """The tables with derived columns, the effect sizes and what may explain them."""
    if missing := [table.name for table in DATA_TABLES if table.name not in tables]:
        raise PackageFault(f"Tables are missing: {', '.join(missing)}.")
    full = with_derived_columns({table.name: tables[table.name] for table in DATA_TABLES})
    full["effect_sizes"] = effect_sizes(full, estimates)
    full["explanations"] = explanations(full, full["effect_sizes"])
    return full


def package_files(
    full: Mapping[str, pd.DataFrame],
    estimates: Sequence[Record],
    meta: ReleaseMeta,
    before: Before | None = None,
) -> dict[str, bytes]:
    """Every file of the package but the checksums, by its path."""
    files: dict[str, bytes] = {}
    for table in TABLES:
        rows: pa.Table = typed(table, full[table.name])
        files[csv_path(table)] = to_csv(table, rows)
        files[parquet_path(table)] = to_parquet(rows)
    files["estimates.json"] = estimates_json(
        estimates, trial=meta.trial, version=meta.version, digest=meta.input_digest
    )
    changes = changes_since(before, full, estimates, version=meta.version)
    files["changes.json"] = to_json(changes)
    files["CHANGES.md"] = changes_md(meta, changes).encode()
    files["METHODS.md"] = methods_md(meta, full, estimates).encode()
    files["README.md"] = readme_md(meta).encode()
    files["CITATION.cff"] = citation_cff(meta).encode()
    files["datacite.json"] = to_json(datacite(meta))
    files["dataset.jsonld"] = to_json(dataset_jsonld(meta))
    files["datapackage.json"] = to_json(describe(meta, files))
    return files
