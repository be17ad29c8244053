"""Looks grouped by pile × material × day: medians, extremes, and the look before."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from registry.science.types import FloatArray, IntArray


@dataclass(frozen=True)
class CellMedians:
    """(cells,) of the known values of each cell; `of_row` (n,) is the cell of every row.

    `previous_median`, `previous_n` are of the last earlier day with a known value, nan and 0
    without one.
    """

    of_row: IntArray
    n: IntArray
    median: FloatArray
    lowest: FloatArray
    highest: FloatArray
    previous_median: FloatArray
    previous_n: IntArray


def cell_medians(
    pile: IntArray, material: IntArray, day: IntArray, value: FloatArray
) -> CellMedians:
    """Group (n,) values; nan counts for nothing."""
    series = _codes(pile) * (_count(material)) + _codes(material)
    low = int(day.min())
    width = int(day.max()) - low + 1
    keys, of_row = np.unique(series * width + (day - low), return_inverse=True)
    known = np.flatnonzero(np.isfinite(value))
    n = np.bincount(of_row[known], minlength=keys.size)
    order = known[np.lexsort((value[known], of_row[known]))]
    ordered = value[order]
    start = np.cumsum(n) - n
    some = n > 0
    median, lowest, highest = (np.full(keys.size, np.nan) for _ in range(3))
    first, count = start[some], n[some]
    lowest[some], highest[some] = ordered[first], ordered[first + count - 1]
    median[some] = (ordered[first + (count - 1) // 2] + ordered[first + count // 2]) / 2.0
    before = _previous(keys // width, some)
    has = before >= 0
    return CellMedians(
        of_row=of_row,
        n=n,
        median=median,
        lowest=lowest,
        highest=highest,
        previous_median=np.where(has, median[before], np.nan),
        previous_n=np.where(has, n[before], 0),
    )


def _previous(series: IntArray, some: NDArray[np.bool_]) -> IntArray:
    """Index of the last earlier cell of the same series that has values, -1 without one."""
    at = np.where(some, np.arange(series.size), -1)
    last = np.maximum.accumulate(at) if at.size else at
    before = np.concatenate([[-1], last[:-1]])
    same = (before >= 0) & (series[np.maximum(before, 0)] == series)
    return np.where(same, before, -1)


def _codes(ids: IntArray) -> IntArray:
    return np.asarray(np.unique(ids, return_inverse=True)[1])


def _count(ids: IntArray) -> int:
    return int(np.unique(ids).size)
