"""Best and worst case for lost and damaged bags: stage 1 again with them as gone, as untouched.

Bags are not lost at random: the most degraded ones tear. The two cases bound what they could have
said. Lag and residual variance stay those of the main fit, so only the missing bags differ.
"""

from dataclasses import dataclass, replace

import numpy as np

from registry.science.decay import DecayFits, fit_units
from registry.science.piles import Units, units_of
from registry.science.predict import MIN_SITES_TO_POOL
from registry.science.rate_pool import LossCase
from registry.science.two_stage import pool_units
from registry.science.types import FitDidNotConverge
from registry.science.used_looks import (
    LOST_AS_GONE,
    LOST_AS_UNTOUCHED,
    UsedLooks,
    is_lost,
    with_losses_as,
)


@dataclass(frozen=True)
class LossRefit:
    assumption: str
    units: Units
    materials: frozenset[int]

    def has(self, material: int) -> bool:
        return material in self.materials


def refit_losses(used: UsedLooks, fits: DecayFits) -> list[LossRefit]:
    """Stage 1 again with lost bags as gone and as untouched, at the same lag and variance."""
    affected = np.unique(used.looks.material[is_lost(used.looks) & (used.looks.day > 0)])
    if not len(affected):
        return []
    part = replace(used, looks=used.looks.rows(np.isin(used.looks.material, affected)))
    cases = []
    for assumption in (LOST_AS_GONE, LOST_AS_UNTOUCHED):
        changed = with_losses_as(part, assumption)
        theta, variance, status, by_lag, by_scale = fit_units(
            changed.cells, changed.unit_material, fits
        )
        refitted = replace(
            fits, theta=theta, variance=variance, status=status, by_lag=by_lag, by_scale=by_scale
        )
        units, _ = units_of(changed, refitted)
        cases.append(LossRefit(assumption, units, frozenset(affected.tolist())))
    return cases


def pool_losses(case: LossRefit, m: int) -> LossCase:
    mine = np.flatnonzero(case.units.material == m)
    n_sites = len(np.unique(case.units.site[mine]))
    if n_sites < MIN_SITES_TO_POOL:
        return LossCase(case.assumption, None, None, n_sites)
    try:
        second = pool_units(case.units, mine, leave_out=False)
    except FitDidNotConverge:
        return LossCase(case.assumption, None, None, n_sites)
    return LossCase(case.assumption, second.mu, second.standard_error, n_sites)
