"""What the curves are drawn over: the mean of one pile's bags on one day."""

from dataclasses import dataclass

import numpy as np

from registry.models import Material, Trial
from registry.queries.looks_of_trial import looks_of
from registry.science.mass_balance import UPPER_LIMIT_ABOVE
from registry.science.types import BagLooks, BagPurpose, LookOutcome


@dataclass(frozen=True, slots=True)
class PileDayMean:
    """Mean fraction remaining of `n_bags` bags of one pile; nothing left counts as 0.

    `sd` is their standard deviation, None for one bag.
    """

    site: str
    pile: str
    day: float
    remaining: float
    n_bags: int
    sd: float | None = None


def pile_means(trial: Trial, material: Material, *, fitted_only: bool = False) -> list[PileDayMean]:
    """Weighed sample bags of a material, excluded and missing ones left out. One query.

    fitted_only : leave out what the fit leaves out too: day 0, and uncorrected masses above 105 %.
    """
    looks = looks_of(trial, material=material)
    remaining = np.where(looks.outcome == LookOutcome.NOTHING_LEFT, 0.0, looks.remaining)
    weighed = np.isfinite(remaining) & ~looks.excluded & (looks.purpose == BagPurpose.SAMPLE)
    if fitted_only:
        weighed &= (looks.day > 0) & (looks.ash_corrected | (remaining <= UPPER_LIMIT_ABOVE))
    return _means(looks, remaining, np.flatnonzero(weighed))


def _means(looks: BagLooks, remaining: np.ndarray, rows: np.ndarray) -> list[PileDayMean]:
    cells: dict[tuple[int, float], list[float]] = {}
    for row in rows:
        cells.setdefault((int(looks.pile[row]), float(looks.day[row])), []).append(remaining[row])
    return [
        PileDayMean(
            site=looks.site_labels[looks.pile_site[pile]],
            pile=looks.pile_labels[pile],
            day=day,
            remaining=float(np.mean(values)),
            n_bags=len(values),
            sd=float(np.std(values, ddof=1)) if len(values) > 1 else None,
        )
        for (pile, day), values in sorted(cells.items())
    ]
