"""Bags collapsed into cells: the smallest table that carries the whole likelihood.

All bags of one unit (a pile × material) lifted on the same day share the same expected fraction f
and the same residual variance V. Their joint normal likelihood then depends on the data only
through the count n, the mean ȳ and the within-cell sum of squares S:

    -½ [ n·log V + (n·(ȳ - f)² + S) / V ]

so collapsing them is exact and makes the cost independent of the number of bags. A bag at or below
its detection limit LOD contributes Φ((LOD - f)/√V) and is collapsed with its equals.

Bags above a cut (an uncorrected mass over 105 % of the start) are left out by rule. Leaving out the
high ones alone would make the others look lighter than they are, so each measured bag counts by its
chance given that it was not cut: minus log Φ((cut - f)/√V).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from registry.science.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Cells:
    """Measured and censored cells of many units.

    Attributes
    ----------
    unit, day, count, mean, within_ss, extra_variance, cut : (n_cells,) measured cells; `cut` is inf
        where nothing is left out.
    c_unit, c_day, c_limit, c_count : (n_censored,) cells known only to lie below a limit.
    n_units : number of units; `unit` codes run from 0 to n_units - 1.
    """

    unit: IntArray
    day: FloatArray
    count: FloatArray
    mean: FloatArray
    within_ss: FloatArray
    extra_variance: FloatArray
    cut: FloatArray
    c_unit: IntArray
    c_day: FloatArray
    c_limit: FloatArray
    c_count: FloatArray
    n_units: int

    @cached_property
    def day_span(self) -> tuple[FloatArray, FloatArray]:
        """First and last day above 0 of each unit: (n_units,), inf and 0 where there is none."""
        first, last = np.full(self.n_units, np.inf), np.zeros(self.n_units)
        for unit, day in ((self.unit, self.day), (self.c_unit, self.c_day)):
            after = day > 0
            np.minimum.at(first, unit[after], day[after])
            np.maximum.at(last, unit[after], day[after])
        return first, last


def collapse(
    unit: IntArray,
    day: FloatArray,
    remaining: FloatArray,
    limit: FloatArray,
    extra_variance: FloatArray,
    n_units: int,
    cut: FloatArray | None = None,
) -> Cells:
    """Collapse bags to cells.

    Parameters
    ----------
    unit : (n,) unit code of each bag.
    day : (n,) elapsed days.
    remaining : (n,) fraction remaining; at or below `limit` it is censored there.
    limit : (n,) detection limit, fraction.
    extra_variance : (n,) known variance on top of the residual one, fraction squared.
    cut : (n,) value above which this bag would have been left out; none by default.
    """
    censored = remaining <= limit
    cut = np.full(len(day), np.inf) if cut is None else cut
    seen = ~censored
    keys, group = _groups(unit[seen], day[seen], extra_variance[seen], cut[seen])
    count = np.bincount(group, minlength=len(keys)).astype(float)
    mean = sum_by(group, remaining[seen], len(keys)) / count
    spread = (remaining[seen] - mean[group]) ** 2
    c_keys, c_group = _groups(unit[censored], day[censored], limit[censored])
    return Cells(
        unit=keys[:, 0].astype(np.int64),
        day=keys[:, 1],
        count=count,
        mean=mean,
        within_ss=sum_by(group, spread, len(keys)),
        extra_variance=keys[:, 2],
        cut=keys[:, 3],
        c_unit=c_keys[:, 0].astype(np.int64),
        c_day=c_keys[:, 1],
        c_limit=c_keys[:, 2],
        c_count=np.bincount(c_group, minlength=len(c_keys)).astype(float),
        n_units=n_units,
    )


def sum_by(code: IntArray, values: FloatArray, n: int) -> FloatArray:
    """Sum of `values` (m,) per code: (n,). Floats even where there is nothing to sum."""
    return np.asarray(np.bincount(code, weights=values, minlength=n), float)


def regroup(cells: Cells, new_unit: IntArray, n_units: int) -> Cells:
    """The same cells under other units: (n_units_old,) `new_unit`, -1 drops a unit's cells."""
    unit, c_unit = new_unit[cells.unit], new_unit[cells.c_unit]
    keep: BoolArray = unit >= 0
    c_keep: BoolArray = c_unit >= 0
    return Cells(
        unit=unit[keep],
        day=cells.day[keep],
        count=cells.count[keep],
        mean=cells.mean[keep],
        within_ss=cells.within_ss[keep],
        extra_variance=cells.extra_variance[keep],
        cut=cells.cut[keep],
        c_unit=c_unit[c_keep],
        c_day=cells.c_day[c_keep],
        c_limit=cells.c_limit[c_keep],
        c_count=cells.c_count[c_keep],
        n_units=n_units,
    )


def _groups(*columns: FloatArray | IntArray) -> tuple[FloatArray, IntArray]:
    """Distinct rows in ascending order, first column first, and each row's place among them."""
    order = np.lexsort(columns[::-1])
    table = np.column_stack([np.asarray(c, float) for c in columns])[order]
    if not len(table):
        return table, np.zeros(0, dtype=np.int64)
    starts = np.ones(len(table), dtype=bool)
    starts[1:] = (table[1:] != table[:-1]).any(axis=1)
    group = np.empty(len(table), dtype=np.int64)
    group[order] = np.cumsum(starts) - 1
    return table[starts], group
