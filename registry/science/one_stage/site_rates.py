"""Every site's rate inside a finished one-stage fit: its own, and shrunken towards the mean."""

import numpy as np

from registry.science.one_stage.cells import Cells, Looks
from registry.science.one_stage.laplace import Mode, ModeNotFound, Theta, find_mode
from registry.science.one_stage.likelihood import CellLikelihood
from registry.science.one_stage.nest import log_det_slopes
from registry.science.one_stage.records import SiteRate

# Spread between sites, as SD of log rates, at which each site stands alone (a factor of 20,000).
OWN_RATE_SPREAD = 5.0
# An own rate known to no better than a factor of fifty either way is not one.
LARGEST_OWN_SE = 2.0


def site_rates(
    looks: Looks, cells: Cells, nu: float | None, theta: Theta, mode: Mode
) -> tuple[SiteRate, ...]:
    """Own and shrunken log rates of every site at the fitted lag and variances."""
    sweep = mode.sweep
    top = cells.nest.n_levels - 1
    shrunken = mode.mean + theta.tau2[top] * mode.node_sums[top]
    variance = log_det_slopes(sweep, flat_mean=True)[1][top]
    share = np.maximum(sweep.information[top], 0.0) / sweep.inflation[top]
    own, own_se = _own_rates(cells, nu, theta, mode)
    piles = np.bincount(looks.pile_site, minlength=looks.n_sites)
    n_looks = np.bincount(looks.site, minlength=looks.n_sites)
    return tuple(
        SiteRate(
            int(looks.site_codes[s]), int(piles[s]), int(n_looks[s]), own[s], own_se[s],
            float(shrunken[s]), float(np.sqrt(variance[s])), float(share[s] / share.sum()),
        )
        for s in range(looks.n_sites)
    )  # fmt: skip


def _own_rates(
    cells: Cells, nu: float | None, theta: Theta, mode: Mode
) -> tuple[list[float | None], list[float | None]]:
    """Each site's mean log rate from its own looks, with a between-site spread too wide to matter.

    What little the wide spread still pulls towards μ̂ is taken out to first order.
    """
    wide = theta.tau2.copy()
    wide[-1] = OWN_RATE_SPREAD**2
    at_wide = Theta(theta.lag, theta.a, theta.b, wide, mode.mean)
    try:
        alone = find_mode(CellLikelihood(cells, nu), at_wide, mode.eta)
    except ModeNotFound:
        return [None] * len(mode.node_sums[-1]), [None] * len(mode.node_sums[-1])
    information = alone.sweep.information[-1]
    rate = mode.mean + wide[-1] * alone.node_sums[-1]
    known = information > 1.0 / LARGEST_OWN_SE**2
    own = rate + (rate - mode.mean) / (wide[-1] * np.where(known, information, 1.0))
    se = 1.0 / np.sqrt(np.where(known, information, 1.0))
    own_known = [float(x) if k else None for x, k in zip(own, known, strict=True)]
    return own_known, [float(x) if k else None for x, k in zip(se, known, strict=True)]
