"""Rules for bags before they are buried: a start mass that does not fit its batch."""

from dataclasses import dataclass

import numpy as np

from registry.science.quality_rules.findings import Finding, Hits, findings_of
from registry.science.types import BoolArray, FloatArray, IntArray

# Of the median of its batch; common practice, no source.
START_MASS_WITHIN = 0.20
# Fewer bags have no median worth comparing with.
LEAST_BATCH = 4

BAG_CODES = {"start_mass_off_batch": "start mass far from the median of its batch"}


@dataclass(frozen=True)
class BagTable:
    """(n,) bags. `batch` numbers the bags made of one material and batch at one site."""

    bag: IntArray
    pile: IntArray
    batch: IntArray
    initial_mass_g: FloatArray
    is_empty: BoolArray


def bag_findings(bags: BagTable) -> list[Finding]:
    """Start masses beyond ±20 % of the median of material × batch at the site."""
    used = np.flatnonzero(~bags.is_empty)
    batch, mass = bags.batch[used], bags.initial_mass_g[used]
    _, of_row = np.unique(batch, return_inverse=True)
    n = np.bincount(of_row)
    order = np.lexsort((mass, of_row))
    start = np.cumsum(n) - n
    ordered = mass[order]
    median = (ordered[start + (n - 1) // 2] + ordered[start + n // 2]) / 2.0
    off = np.abs(mass / median[of_row] - 1.0)
    out = (off > START_MASS_WITHIN + 1e-9) & (n[of_row] >= LEAST_BATCH)
    hits = Hits(used[out], mass[out], off[out], median[of_row][out], n[of_row][out])

    def make(row: int, found: float, other: float | None, count: int | None) -> Finding:
        assert other is not None
        return Finding(
            code="start_mass_off_batch",
            message=f"The bag was filled with {found:.3g} g; the {count} bags of this batch have a "
            f"median of {other:.3g} g. Check the weighing, the number of pieces and the label.",
            pile=int(bags.pile[row]),
            bag=int(bags.bag[row]),
            unit="g",
            found=found,
            limit_low=other * (1 - START_MASS_WITHIN),
            limit_high=other * (1 + START_MASS_WITHIN),
            compared_with=other,
            n_compared=count,
        )

    return findings_of(hits, bags.pile, make, _rest)


def _rest(pile: int, shown: int, more: int) -> Finding:
    return Finding(
        code="start_mass_off_batch",
        message=f"{more:,} more bags in this pile have start masses far from their batch, beside "
        f"the {shown} shown: look for one cause of all of them.",
        pile=pile,
        unit="1",
        found=float(more),
    )
