"""`estimates.json`: every pooled estimate with its sites, and how one is told from another."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from registry.packages.errors import PackageFault
from registry.science.types import PooledEstimate

IDENTITY = ("material", "outcome", "model", "heat_class", "time_scale", "day")

Record = Mapping[str, Any]


def record_of(found: PooledEstimate) -> dict[str, Any]:
    """A scientific result in the contract's shape."""
    return asdict(found)


def identity(record: Record) -> tuple[Any, ...]:
    """What makes a record the only one of its kind in a package."""
    *words, day = (record.get(name) for name in IDENTITY)
    return (*words, -1.0 if day is None else float(day))


def label(record: Record) -> str:
    """The same in words: `COIR-POT decay_rate one_stage all`."""
    day = record.get("day")
    words = [str(record.get(name)) for name in ("material", "outcome", "model", "heat_class")]
    return " ".join(words + ([] if day is None else [f"day {day:g}"]))


def by_identity(records: Sequence[Record]) -> dict[tuple[Any, ...], Record]:
    found = {identity(record): record for record in records}
    if len(found) != len(records):
        raise PackageFault("Two estimates have the same material, outcome, model, heat and day.")
    return found


def to_json(value: Any) -> bytes:
    """JSON with sorted keys and full precision; refuses NaN, which is no JSON number."""
    try:
        text = json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    except ValueError as error:
        raise PackageFault(f"A number of the release cannot be written: {error}") from error
    return (text + "\n").encode()


def estimates_json(records: Sequence[Record], *, trial: str, version: int, digest: str) -> bytes:
    ordered = [dict(found) for _, found in sorted(by_identity(records).items())]
    return to_json(
        {"trial": trial, "version": version, "input_digest": digest, "estimates": ordered}
    )


def read_estimates(content: bytes) -> list[dict[str, Any]]:
    """Records of an `estimates.json`; raises PackageFault when it is not one."""
    try:
        records = json.loads(content)["estimates"]
    except (ValueError, KeyError, TypeError) as error:
        raise PackageFault(f"estimates.json cannot be read: {error!r}") from error
    if not isinstance(records, list) or not all(isinstance(item, dict) for item in records):
        raise PackageFault("estimates.json holds no list of estimates.")
    return records
