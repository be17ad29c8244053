"""The decay rate of every pile × material, from stage 1 of the two-stage summary."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from registry.science.decay import RateStatus, fit_decay
from registry.science.looks import in_fixed_order
from registry.science.types import BagLooks
from registry.science.used_looks import use_looks


@dataclass(frozen=True, slots=True)
class PileRate:
    """Natural log of a rate per day with its sampling variance.

    `lag_days` of its material and `n_looks` in the fit, where they are known.
    """

    material: str
    site: str
    pile: str
    log_rate: float
    variance: float
    lag_days: float = 0.0
    n_looks: int = 0


def pile_rates(
    looks: BagLooks, *, primary_day: float, schedule_days: Sequence[float]
) -> tuple[PileRate, ...]:
    """The piles that carry a rate of their own; the likelihood of the others has no maximum."""
    used = use_looks(in_fixed_order(looks), primary_day=primary_day, schedule_days=schedule_days)
    looks = used.looks
    fits = fit_decay(used.cells, used.unit_material, used.n_materials)
    return tuple(
        PileRate(
            material=looks.material_labels[used.unit_material[unit]],
            site=looks.site_labels[used.unit_site[unit]],
            pile=looks.pile_labels[used.unit_pile[unit]],
            log_rate=float(fits.theta[unit]),
            variance=float(fits.variance[unit]),
            lag_days=float(fits.lag[used.unit_material[unit]]),
            n_looks=int(used.unit_looks[unit]),
        )
        for unit in np.flatnonzero(fits.status == RateStatus.OWN_RATE)
    )
