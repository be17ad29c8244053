"""What a report is made of: the facts about it, the tables and the estimates it shows."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from registry.packages.archive import read_archive
from registry.packages.descriptor import parquet_path
from registry.packages.errors import PackageFault
from registry.packages.estimates import Record, read_estimates
from registry.packages.files import parquet_frame
from registry.packages.gates import with_gates
from registry.packages.shapes import Tables
from registry.packages.tables import DATA_TABLES


@dataclass(frozen=True, slots=True)
class ReportFacts:
    """About one report. `standing` tells a release from a run that nobody has released.

    `tables` hold their derived columns. `dated` is the day of the release or of the run.
    """

    trial: str
    title: str
    standing: str
    dated: str
    licence: str
    model_version: str
    software_version: str
    input_digest: str
    address: str
    contributors: tuple[str, ...]
    tables: Tables
    estimates: Sequence[Record]


def facts_of_release(package: Path) -> ReportFacts:
    """Read a release's package. Raises PackageFault when it is not one we can read."""
    files = read_archive(package)
    try:
        told: dict[str, Any] = json.loads(files["datapackage.json"])
        tables = {table.name: parquet_frame(files[parquet_path(table)]) for table in DATA_TABLES}
        if "negative_control" not in tables["piles"]:  # a release of the first layout
            tables["piles"] = with_gates(tables)
        return ReportFacts(
            trial=told["trial"],
            title=str(tables["trials"].iloc[0]["title"]),
            standing=f"Release, version {told['version']}",
            dated=told["created"][:10],
            licence=told["licenses"][0]["title"],
            model_version=told["modelVersion"],
            software_version=told["softwareVersion"],
            input_digest=told["inputDigest"],
            address=told.get("homepage", ""),
            contributors=tuple(item["title"] for item in told["contributors"]),
            tables=tables,
            estimates=read_estimates(files["estimates.json"]),
        )
    except (KeyError, IndexError, ValueError) as error:
        raise PackageFault(f"{package.name} cannot be printed: {error!r}") from error
