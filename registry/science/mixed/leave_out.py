"""The fixed-day answer without each site in turn, from cells already collapsed.

A site's sums are simply left away, and the search starts at the variance ratios of the full fit,
which are close: two or three evaluations instead of seven.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as t_distribution

from registry.science.mixed.cells import Cells
from registry.science.mixed.degrees_of_freedom import estimate_linear
from registry.science.mixed.fixed_day_variances import (
    DEFAULTS,
    FixedDayOptions,
    NotPooled,
    fit_variances,
)
from registry.science.mixed.general import MixedFit
from registry.science.types import FloatArray


@dataclass(frozen=True)
class WithoutSite:
    """Means of all k materials without one site; nan where no other site has the material.

    `not_pooled` says why there is no answer at all, and is None where there is one.
    """

    site: str
    estimate: FloatArray
    ci_low: FloatArray
    ci_high: FloatArray
    components: dict[str, float]
    not_pooled: NotPooled | None = None


def leave_one_site_out(
    fit: MixedFit,
    cells: Cells,
    options: FixedDayOptions = DEFAULTS,
    on_step: Callable[[int, int], None] | None = None,
) -> tuple[WithoutSite, ...]:
    """One record per site of `cells`, in order.

    Parameters
    ----------
    fit : the fit of all sites, whose variance ratios the searches start from.
    on_step : told (sites done, sites in all) after each.
    """
    n_sites = len(cells.sites)
    records = []
    for i in range(n_sites):
        rest = cells.only_sites(np.delete(np.arange(n_sites), i))
        records.append(_without(cells, rest, cells.sites[i], fit, options))
        if on_step is not None:
            on_step(i + 1, n_sites)
    return tuple(records)


def _without(
    cells: Cells, rest: Cells, site: str, full: MixedFit, options: FixedDayOptions
) -> WithoutSite:
    estimate, low, high = (np.full(len(cells.materials), np.nan) for _ in range(3))
    fit = fit_variances(rest, options, near=full)
    if isinstance(fit, NotPooled):
        return WithoutSite(site, estimate, low, high, {}, fit)
    linear = estimate_linear(fit, np.eye(fit.p), options.df_method, options.boundary)
    half = t_distribution.isf((1 - options.level) / 2, linear.df) * linear.standard_error
    seen = [cells.materials.index(m) for m in rest.materials]
    estimate[seen] = linear.estimate
    low[seen], high[seen] = linear.estimate - half, linear.estimate + half
    return WithoutSite(site, estimate, low, high, fit.components)
