"""What a rule says: where, what was found, which limit it broke, and the sentence for people."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from registry.science.types import FloatArray, IntArray

# Raised with every change of a limit or of a rule's meaning; older findings stay what they were.
RULE_VERSION = 1
# A rule broken by more rows of one pile has one cause; the worst are shown, the rest counted.
MOST_PER_PILE = 50


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding. Ids are the caller's; evidence is in `unit`, moments in hours since 1970 UTC.

    About a look, else about a bag, else about a probe, else about the pile.
    """

    code: str
    message: str
    pile: int
    bag: int | None = None
    look: int | None = None
    probe: str = ""
    unit: str = ""
    found: float | None = None
    limit_low: float | None = None
    limit_high: float | None = None
    compared_with: float | None = None
    n_compared: int | None = None
    from_h: float | None = None
    until_h: float | None = None


@dataclass(frozen=True)
class Hits:
    """(k,) rows that break a rule, how badly, and what was found there."""

    rows: IntArray
    found: FloatArray
    severity: FloatArray
    compared_with: FloatArray | None = None
    n_compared: IntArray | None = None


def nothing() -> Hits:
    return Hits(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))


def findings_of(
    hits: Hits,
    pile: IntArray,
    make: Callable[[int, float, float | None, int | None], Finding],
    rest: Callable[[int, int, int], Finding],
) -> list[Finding]:
    """Findings of one rule, the worst of each pile first; `pile` (n,) is the pile of every row.

    `make(row, found, compared_with, n_compared)` words one; `rest(pile, shown, more)` counts the
    ones beyond `MOST_PER_PILE`.
    """
    order = np.lexsort((-hits.severity, pile[hits.rows]))
    piles = pile[hits.rows][order]
    first = np.searchsorted(piles, piles)
    shown = order[np.arange(order.size) - first < MOST_PER_PILE]
    found = [
        make(
            int(hits.rows[at]),
            float(hits.found[at]),
            None if hits.compared_with is None else float(hits.compared_with[at]),
            None if hits.n_compared is None else int(hits.n_compared[at]),
        )
        for at in shown
    ]
    names, counts = np.unique(piles, return_counts=True)
    for at in np.flatnonzero(counts > MOST_PER_PILE):
        more = int(counts[at]) - MOST_PER_PILE
        found.append(rest(int(names[at]), MOST_PER_PILE, more))
    return found
