"""From the words of a table to `BagLooks`: labels become codes, in one fixed way.

Labels are sorted before they are numbered, and rows are put in a fixed order, so that the order
in which rows arrive cannot change a pooled number, not even in its last bit.
"""

from collections.abc import Hashable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from registry.science.types import (
    BagLooks,
    BagPurpose,
    FloatArray,
    LookColumns,
    LookOutcome,
    MaterialRole,
    ScienceError,
)

UNKNOWN_HEAT = "unknown"


def code_looks(columns: LookColumns) -> BagLooks:
    """Number the labels of `columns` and check every row.

    Returns
    -------
    BagLooks with rows ordered by material, site, pile, day, bag, outcome, remaining.

    Raises
    ------
    ScienceError naming the first offending row (0-based), when lengths differ, a day is negative or
    missing, or an outcome is unknown.
    """
    n = len(columns.day)
    site_labels, site = _codes(columns.site)
    material_labels, material = _codes(columns.material)
    piles = list(zip(columns.site, columns.pile, strict=True))
    pile_keys = sorted(set(piles))
    pile = _numbered(piles, pile_keys)
    _, bag = _codes(columns.bag)
    looks = BagLooks(
        site=site,
        pile=pile,
        material=material,
        bag=bag,
        day=np.asarray(columns.day, float),
        remaining=np.asarray(columns.remaining, float),
        outcome=_words(columns.outcome, LookOutcome),
        detection_limit=np.asarray(columns.detection_limit, float),
        excluded=np.asarray(columns.excluded, bool),
        fragmentation=_optional(columns.fragmentation, n, np.nan),
        measurement_sd=_optional(columns.measurement_sd, n, 0.0),
        ash_corrected=_optional(columns.ash_corrected, n, False).astype(bool),
        purpose=_words(columns.purpose or ["sample"] * n, BagPurpose),
        site_labels=site_labels,
        pile_labels=tuple(p for _, p in pile_keys),
        material_labels=material_labels,
        pile_site=np.array([site_labels.index(s) for s, _ in pile_keys], dtype=np.int64),
        material_roles=tuple(
            columns.material_roles.get(m, MaterialRole.TEST.value) for m in material_labels
        ),
        pile_heat=tuple(columns.pile_heat.get(key, UNKNOWN_HEAT) for key in pile_keys)
        if columns.pile_heat
        else (),
        trial=columns.trial,
    )
    check_looks(looks)
    return in_fixed_order(looks)


def check_looks(looks: BagLooks) -> None:
    """Refuse looks no pooling can read. Raises ScienceError with the first bad row."""
    n = len(looks.day)
    for name in ("site", "pile", "material", "bag", "remaining", "outcome", "detection_limit"):
        if len(getattr(looks, name)) != n:
            raise ScienceError(f"{name} has {len(getattr(looks, name))} rows, day has {n}.")
    _refuse(~np.isfinite(looks.day) | (looks.day < 0), "day must be a number of days, 0 or more")
    _refuse(np.isinf(looks.remaining) | (looks.remaining < 0), "remaining must be 0 or more")
    _refuse(
        ~((looks.detection_limit > 0) & (looks.detection_limit < 1)),
        "detection limit must lie between 0 and 1",
    )
    _refuse(~(looks.measurement_sd >= 0), "measurement_sd must be 0 or more")
    if n:
        _refuse(looks.pile_site[looks.pile] != looks.site, "pile belongs to another site")


def in_fixed_order(looks: BagLooks) -> BagLooks:
    """Rows sorted by everything that could tell two of them apart."""
    order = np.lexsort(
        (
            looks.excluded,
            looks.measurement_sd,
            looks.detection_limit,
            looks.remaining,
            looks.outcome,
            looks.bag,
            looks.day,
            looks.pile,
            looks.site,
            looks.material,
        )
    )
    return looks.rows(order)


def _codes(labels: Sequence[str]) -> tuple[tuple[str, ...], NDArray[np.int64]]:
    known = sorted(set(labels))
    return tuple(known), _numbered(labels, known)


def _numbered(keys: Sequence[Hashable], known: Sequence[Hashable]) -> NDArray[np.int64]:
    number = {key: i for i, key in enumerate(known)}
    return np.fromiter((number[key] for key in keys), dtype=np.int64, count=len(keys))


def _words(words: Sequence[str], kind: type[LookOutcome] | type[BagPurpose]) -> NDArray[np.int8]:
    known = {member.name.lower(): int(member) for member in kind}
    unknown = [i for i, word in enumerate(words) if word not in known]
    if unknown:
        raise ScienceError(f"row {unknown[0]}: {words[unknown[0]]!r} is not one of {list(known)}.")
    return np.array([known[word] for word in words], dtype=np.int8)


def _optional(values: NDArray[Any] | None, n: int, otherwise: float) -> FloatArray:
    return np.full(n, otherwise) if values is None else np.asarray(values, float)


def _refuse(bad: NDArray[np.bool_], rule: str) -> None:
    if bad.any():
        raise ScienceError(f"row {int(np.flatnonzero(bad)[0])}: {rule}.")
