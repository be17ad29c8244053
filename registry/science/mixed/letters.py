"""Compact letters: two materials share a letter when their difference is not shown.

Insert and absorb, Piepho (2004), J. Comput. Graph. Stat. 13, 456-466: begin with one column
holding everybody; for every shown difference split each column that holds both; drop columns that
lie inside others; then sweep out entries that no pair needs.
"""

import numpy as np

from registry.science.types import BoolArray, FloatArray

ALPHABET = "abcdefghijklmnopqrstuvwxyz"


def compact_letters(mean: FloatArray, different: BoolArray) -> tuple[str, ...]:
    """Letters per material, `a` for the group of the largest mean.

    Parameters
    ----------
    mean : (k,) estimates, that order the letters.
    different : (k, k) symmetric, True where a difference is shown.

    Returns
    -------
    Distinct letters per material; sharing one means "not shown to differ". With more than 26
    groups a letter is followed by an apostrophe, and so on.
    """
    columns = [np.ones(len(mean), dtype=bool)]
    for i, j in zip(*np.nonzero(np.triu(different, 1)), strict=True):
        columns = _absorb([part for column in columns for part in _split(column, i, j)])
    columns = _sweep(columns, different)
    order = np.argsort(-mean, kind="stable")
    rank = np.argsort(order)
    columns.sort(key=lambda column: sorted(rank[column]))
    return tuple(
        "".join(_letter(n) for n, column in enumerate(columns) if column[i])
        for i in range(len(mean))
    )


def _split(column: BoolArray, i: int, j: int) -> list[BoolArray]:
    if not (column[i] and column[j]):
        return [column]
    without_i, without_j = column.copy(), column.copy()
    without_i[i] = without_j[j] = False
    return [without_i, without_j]


def _absorb(columns: list[BoolArray]) -> list[BoolArray]:
    """Drop columns that lie inside another; of equal ones keep one."""
    stacked = np.array(columns)
    shared = stacked.astype(np.int64) @ stacked.T.astype(np.int64)
    size = np.diag(shared)
    inside = shared == size[:, None]
    equal_earlier = inside & inside.T & np.tri(len(columns), k=-1, dtype=bool)
    strictly = inside & ~inside.T
    return [
        c
        for c, drop in zip(columns, (strictly | equal_earlier).any(axis=1), strict=True)
        if not drop
    ]


def _sweep(columns: list[BoolArray], different: BoolArray) -> list[BoolArray]:
    """Remove a letter from a material when each pair it joins is joined by another letter too."""
    stacked = np.array(columns)
    together = stacked.T.astype(np.int64) @ stacked.astype(np.int64)
    for column in stacked:
        for i in np.flatnonzero(column):
            others = column.copy()
            others[i] = False
            # A material keeps at least one letter; a pair not shown to differ keeps a shared one.
            if together[i, i] > 1 and np.all(together[i, others] > 1):
                column[i] = False
                together[i, others] -= 1
                together[others, i] -= 1
                together[i, i] -= 1
    return [column for column in _absorb(list(stacked)) if column.any()]


def _letter(n: int) -> str:
    return ALPHABET[n % len(ALPHABET)] + "'" * (n // len(ALPHABET))
