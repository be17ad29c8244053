"""The mean of each material on the day, with intervals for the mean and for a new pile."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import t as t_distribution

from registry.science.mixed.cells import Cells
from registry.science.mixed.degrees_of_freedom import Boundary, DfMethod, estimate_linear
from registry.science.mixed.general import MixedFit
from registry.science.mixed.site_blocks import PILE, PILE_MATERIAL, SITE, SITE_MATERIAL

# Two sites say almost nothing about how much a third one differs; show both, predict nothing.
MIN_SITES_TO_PREDICT = 3


@dataclass(frozen=True)
class MaterialMean:
    """One material on the day, in the units of the value.

    Attributes
    ----------
    estimate, standard_error, df, ci_low, ci_high : mean over sites, with Kenward–Roger or
        Satterthwaite degrees of freedom.
    pi_low, pi_high : a new pile at a new site, estimate ± t_{S−2} √(τ_s² + τ_p² + SE²)
        (Higgins, Thompson & Spiegelhalter 2009, J. R. Stat. Soc. A 172, 137-159); None below
        three sites.
    tau2_site : variance of site plus site × material.
    tau2_pile : variance of pile plus pile × material; None where piles cannot be separated.
    letters : materials that share one are not shown to differ; empty for a single material.
    """

    material: str
    estimate: float
    standard_error: float
    df: float
    ci_low: float
    ci_high: float
    pi_low: float | None
    pi_high: float | None
    tau2_site: float
    tau2_pile: float | None
    n_sites: int
    n_piles: int
    n_bags: int
    letters: str


def material_means(
    fit: MixedFit,
    cells: Cells,
    letters: tuple[str, ...] | None,
    df_method: DfMethod,
    boundary: Boundary,
    level: float,
) -> tuple[MaterialMean, ...]:
    """One record per material, in the order of `cells.materials`."""
    linear = estimate_linear(fit, np.eye(fit.p), df_method, boundary)
    half = t_distribution.isf((1 - level) / 2, linear.df) * linear.standard_error
    held = cells.count > 0
    n_sites = held.any(axis=2).sum(axis=0)
    n_piles = held.sum(axis=(0, 2))
    n_bags = cells.count.sum(axis=(0, 2)).astype(int)
    tau2_site, tau2_pile = _between(fit)
    spread = np.sqrt(tau2_site + (tau2_pile or 0.0) + linear.standard_error**2)
    records = []
    for i, material in enumerate(cells.materials):
        reach = _reach(int(n_sites[i]), level, float(spread[i]))
        mean = float(linear.estimate[i])
        records.append(
            MaterialMean(
                material=material,
                estimate=mean,
                standard_error=float(linear.standard_error[i]),
                df=float(linear.df[i]),
                ci_low=mean - float(half[i]),
                ci_high=mean + float(half[i]),
                pi_low=None if reach is None else mean - reach,
                pi_high=None if reach is None else mean + reach,
                tau2_site=tau2_site,
                tau2_pile=tau2_pile,
                n_sites=int(n_sites[i]),
                n_piles=int(n_piles[i]),
                n_bags=int(n_bags[i]),
                letters=letters[i] if letters else "",
            )
        )
    return tuple(records)


def _between(fit: MixedFit) -> tuple[float, float | None]:
    """Variance between sites and between piles for one material, of the terms kept."""
    part = fit.components
    site = part.get(SITE, 0.0) + part.get(SITE_MATERIAL, 0.0)
    if PILE not in part and PILE_MATERIAL not in part:
        return site, None
    return site, part.get(PILE, 0.0) + part.get(PILE_MATERIAL, 0.0)


def _reach(n_sites: int, level: float, spread: float) -> float | None:
    if n_sites < MIN_SITES_TO_PREDICT:
        return None
    return float(t_distribution.isf((1 - level) / 2, n_sites - 2)) * spread
