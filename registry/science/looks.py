"""From the words of a table to `BagLooks`: labels become codes, in one fixed way.

Labels are sorted before they are numbered, and rows are put in a fixed order, so that the order
in which rows arrive cannot change a pooled number, not even in its last bit.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from registry.science.coded import Coded
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
    site, pile_word = Coded.of(columns.site), Coded.of(columns.pile)
    material = Coded.of(columns.material)
    if not len(site) == len(pile_word) == len(material) == n:
        raise ScienceError("Every look needs a site, a pile and a material.")
    width = max(len(pile_word.labels), 1)
    keys, pile = np.unique(site.code * width + pile_word.code, return_inverse=True)
    pile_site, word = keys // width, keys % width
    pile_keys = [
        (site.labels[s], pile_word.labels[p])
        for s, p in zip(pile_site.tolist(), word.tolist(), strict=True)
    ]
    looks = BagLooks(
        site=site.code,
        pile=pile.reshape(-1),
        material=material.code,
        bag=Coded.of(columns.bag).code,
        day=np.asarray(columns.day, float),
        remaining=np.asarray(columns.remaining, float),
        outcome=_words(columns.outcome, LookOutcome),
        detection_limit=np.asarray(columns.detection_limit, float),
        excluded=np.asarray(columns.excluded, bool),
        fragmentation=_optional(columns.fragmentation, n, np.nan),
        measurement_sd=_optional(columns.measurement_sd, n, 0.0),
        ash_corrected=_optional(columns.ash_corrected, n, False).astype(bool),
        purpose=_words(columns.purpose or ["sample"] * n, BagPurpose),
        site_labels=site.labels,
        pile_labels=tuple(p for _, p in pile_keys),
        material_labels=material.labels,
        pile_site=pile_site,
        material_roles=tuple(
            columns.material_roles.get(m, MaterialRole.TEST.value) for m in material.labels
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


def _words(words: Sequence[str], kind: type[LookOutcome] | type[BagPurpose]) -> NDArray[np.int8]:
    known = {member.name.lower(): int(member) for member in kind}
    coded = Coded.of(words)
    number = np.array([known.get(label, -1) for label in coded.labels], dtype=np.int8)
    unknown = np.flatnonzero(number[coded.code] < 0)
    if len(unknown):
        first = int(unknown[0])
        raise ScienceError(f"row {first}: {coded[first]!r} is not one of {list(known)}.")
    return number[coded.code]


def _optional(values: NDArray[Any] | None, n: int, otherwise: float) -> FloatArray:
    return np.full(n, otherwise) if values is None else np.asarray(values, float)


def _refuse(bad: NDArray[np.bool_], rule: str) -> None:
    if bad.any():
        raise ScienceError(f"row {int(np.flatnonzero(bad)[0])}: {rule}.")
