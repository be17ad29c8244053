"""Bags collapsed to cells: count, mean and within sum of squares per site × material × pile.

Exact for a homoscedastic residual: bags of one cell share their row of X and of every Z, so they
enter the likelihood only through these three (science of the split: Searle, Casella & McCulloch
1992, Variance Components, ch. 3). One pass over the bags; everything after is free of their number.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from registry.science.types import FloatArray, IntArray, ScienceError

Labels = Sequence[str] | Sequence[int] | NDArray

# Integer labels up to this many times the number of rows are looked up in a table, not sorted.
TABLE_PER_ROW = 8


@dataclass(frozen=True)
class Cells:
    """Cells of S sites × M materials × J piles, J the most piles of any site; empty ones count 0.

    Attributes
    ----------
    count : (S, M, J) bags.
    mean : (S, M, J) mean of their values; 0 where there is none.
    within : (S,) sum over a site's cells of squared deviations from the cell mean.
    sites, materials : labels in sorted order.
    piles : per site, the labels of its piles, in sorted order.
    """

    count: FloatArray
    mean: FloatArray
    within: FloatArray
    sites: tuple[str, ...]
    materials: tuple[str, ...]
    piles: tuple[tuple[str, ...], ...]

    @property
    def n_bags(self) -> int:
        return int(self.count.sum())

    @property
    def n_piles(self) -> int:
        return sum(len(p) for p in self.piles)

    @property
    def spread(self) -> float:
        """Sum of squares of all values about their mean."""
        mean = (self.count * self.mean).sum() / self.count.sum()
        return float(self.within.sum() + (self.count * (self.mean - mean) ** 2).sum())

    def only_sites(self, index: IntArray) -> "Cells":
        """These sites alone, with the materials seen there."""
        seen = self.count[index].sum(axis=(0, 2)) > 0
        return Cells(
            count=self.count[index][:, seen],
            mean=self.mean[index][:, seen],
            within=self.within[index],
            sites=tuple(self.sites[i] for i in index),
            materials=tuple(m for m, kept in zip(self.materials, seen, strict=True) if kept),
            piles=tuple(self.piles[i] for i in index),
        )


def collapse(site: Labels, pile: Labels, material: Labels, value: FloatArray) -> Cells:
    """Collapse bags to cells.

    Parameters
    ----------
    site, pile, material : (n,) labels or integer codes; a pile label is scoped by its site.
    value : (n,) response of each bag, finite.

    Raises
    ------
    ScienceError : no rows, lengths that differ, or a value that is not finite.
    """
    value = np.asarray(value, dtype=float)
    _check_rows(site, pile, material, value)
    sites, s = factorise(site)
    materials, m = factorise(material)
    pile_labels, j = factorise(pile)
    pile_of, piles = _piles_within_sites(s, j, len(sites), pile_labels)
    shape = (len(sites), len(materials), max(len(p) for p in piles))
    cell = (s * shape[1] + m) * shape[2] + pile_of
    size = shape[0] * shape[1] * shape[2]
    count = np.bincount(cell, minlength=size).astype(float)
    mean = np.bincount(cell, value, minlength=size) / np.maximum(count, 1)
    deviation = value - mean[cell]
    return Cells(
        count=count.reshape(shape),
        mean=mean.reshape(shape),
        within=np.asarray(np.bincount(s, deviation**2, minlength=len(sites)), dtype=float),
        sites=sites,
        materials=materials,
        piles=piles,
    )


def join_sites(parts: Sequence[Cells]) -> Cells:
    """Put sites collapsed apart side by side, so that new data of one site touch its part alone.

    Raises
    ------
    ScienceError : no part, or a site in two parts.
    """
    sites = [site for part in parts for site in part.sites]
    if not sites or len(set(sites)) < len(sites):
        raise ScienceError("Parts to join must hold at least one site, and each site once.")
    materials = sorted({m for part in parts for m in part.materials})
    place = {m: i for i, m in enumerate(materials)}
    shape = (len(sites), len(materials), max(part.count.shape[2] for part in parts))
    count, mean = np.zeros(shape), np.zeros(shape)
    start = 0
    for part in parts:
        rows = slice(start, start + len(part.sites))
        columns = [place[m] for m in part.materials]
        count[rows, columns, : part.count.shape[2]] = part.count
        mean[rows, columns, : part.mean.shape[2]] = part.mean
        start = rows.stop
    order = sorted(range(len(sites)), key=lambda i: sites[i])
    piles = [p for part in parts for p in part.piles]
    return Cells(
        count=count[order],
        mean=mean[order],
        within=np.concatenate([part.within for part in parts])[order],
        sites=tuple(sites[i] for i in order),
        materials=tuple(materials),
        piles=tuple(piles[i] for i in order),
    )


def factorise(labels: Labels) -> tuple[tuple[str, ...], IntArray]:
    """Sorted distinct labels as text, and the (n,) code of each row."""
    values = np.asarray(labels)
    if values.dtype.kind in "iu":
        low = int(values.min())
        width = int(values.max()) - low + 1
        if width <= TABLE_PER_ROW * len(values):
            return _factorise_by_table(values.astype(np.int64) - low, low, width)
    if values.dtype.kind in "iuf":
        distinct, codes = np.unique(values, return_inverse=True)
        return tuple(str(v) for v in distinct), codes.astype(np.int64)
    return _factorise_words(values.tolist())


def _factorise_by_table(
    shifted: IntArray, low: int, width: int
) -> tuple[tuple[str, ...], IntArray]:
    present = np.bincount(shifted, minlength=width) > 0
    rank = np.cumsum(present) - 1
    distinct = np.flatnonzero(present) + low
    return tuple(str(v) for v in distinct), rank[shifted]


def _factorise_words(words: list[str]) -> tuple[tuple[str, ...], IntArray]:
    # A dictionary in order of appearance is ten times faster than sorting all rows.
    seen: dict[str, int] = {}
    first = np.fromiter((seen.setdefault(w, len(seen)) for w in words), np.int64, len(words))
    distinct = sorted(seen, key=str)
    rank = np.empty(len(seen), dtype=np.int64)
    rank[[seen[w] for w in distinct]] = np.arange(len(seen))
    return tuple(str(w) for w in distinct), rank[first]


def _piles_within_sites(
    s: IntArray, j: IntArray, n_sites: int, labels: tuple[str, ...]
) -> tuple[IntArray, tuple[tuple[str, ...], ...]]:
    """(n,) number of each row's pile within its site, and the pile labels of each site."""
    _, key = factorise(s * len(labels) + j)
    first_row = np.zeros(int(key.max()) + 1, dtype=np.int64)
    first_row[key] = np.arange(len(key))
    site_of, label_of = s[first_row], j[first_row]
    per_site = np.bincount(site_of, minlength=n_sites)
    rank = np.arange(len(site_of)) - np.repeat(np.cumsum(per_site) - per_site, per_site)
    names = [labels[i] for i in label_of]
    end = np.cumsum(per_site)
    piles = tuple(tuple(names[b - k : b]) for b, k in zip(end, per_site, strict=True))
    return rank[key], piles


def _check_rows(site: Labels, pile: Labels, material: Labels, value: FloatArray) -> None:
    lengths = {len(site), len(pile), len(material), len(value)}
    if len(lengths) != 1:
        raise ScienceError(f"Columns of different lengths: {sorted(lengths)}.")
    if len(value) == 0:
        raise ScienceError("There is no look at a bag on this day.")
    if not np.isfinite(value).all():
        raise ScienceError("A value is missing or infinite; leave missing bags out.")
