"""Stage 2: the pile rates of one material pooled, site random and pile nested in site.

    θ̂_si = μ + u_s + d_si + e_si,   u ~ N(0, τ_s²),  d ~ N(0, c_si·τ_p²),  e ~ N(0, v_si), v known

    REML for (τ_s², τ_p²), see `nested_reml.py`; μ̂ by generalised least squares
    site's own estimate      ȳ_s = Σ w θ̂ / Σ w,  w = 1/(v + c·τ_p²),  variance 1/Σw
    site's shrunken estimate μ̂ + τ_s²·1ᵀV_s⁻¹(θ̂_s - μ̂), the best linear unbiased predictor
    Q, I², Q-profile         of the ȳ_s with their variances, so they are about sites alone

With one unit at every site τ_s² and τ_p² cannot be separated; the sum is then reported as τ_s².
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from registry.science.heterogeneity import q_profile, typical_variance
from registry.science.nested_reml import RemlFits, fit_nested
from registry.science.nested_sums import NestedEffects
from registry.science.piles import Units
from registry.science.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class SiteEffects:
    """Per site, (n_sites,) in ascending order of the site code."""

    site: IntArray
    effect: FloatArray
    variance: FloatArray
    shrunken: FloatArray
    weight_pct: FloatArray


@dataclass(frozen=True)
class SecondStage:
    """The pooled log rate of one material; `left_out_` arrays (n_sites,), nan below three sites."""

    mu: float
    standard_error: float
    tau2_site: float
    tau2_pile: float
    separable: bool
    at_boundary: bool
    n_evaluations: int
    q: float
    q_df: int
    q_p: float
    i2_pct: float
    tau2_site_interval: tuple[float, float]
    unit_weight: FloatArray
    sites: SiteEffects
    left_out_mu: FloatArray
    left_out_se: FloatArray
    left_out_tau2_site: FloatArray


def pool_piles(
    theta: FloatArray,
    variance: FloatArray,
    multiplier: FloatArray,
    site: IntArray,
    *,
    leave_out: bool = True,
) -> SecondStage:
    """Pool the units of one material at two or more sites.

    Parameters
    ----------
    theta, variance, multiplier, site : (n,) log rate, v > 0, c > 0 and site code of each unit.
    leave_out : whether to fit without each site in turn as well; `left_out_` is nan otherwise.

    Raises
    ------
    FitDidNotConverge
    """
    sites, row = np.unique(site, return_inverse=True)
    effects, slot = pad(theta, variance, multiplier, row, len(sites))
    separable = bool((effects.present.sum(axis=1) > 1).any())
    fit = _fit(effects, None, separable)
    tau_s, tau_p = fit.tau2[0]
    mu, se = float(fit.mu[0]), float(fit.standard_error[0])
    w = np.where(effects.present, 1.0 / (effects.variance + effects.multiplier * tau_p), 0.0)
    total = w.sum(axis=1)
    own = (w * effects.effect).sum(axis=1) / total
    q_site = total / (1.0 + tau_s * total)
    shrunken = mu + tau_s * q_site * (own - mu)
    weight = w / (1.0 + tau_s * total)[:, None] / q_site.sum()
    q, q_p, i2 = _heterogeneity(own, 1.0 / total, float(tau_s))
    out = _leave_one_out(effects, fit, separable, leave_out)
    return SecondStage(
        mu=mu,
        standard_error=se,
        tau2_site=float(tau_s),
        tau2_pile=float(tau_p),
        separable=separable,
        at_boundary=bool(fit.at_boundary[0]),
        n_evaluations=fit.n_evaluations,
        q=q,
        q_df=len(sites) - 1,
        q_p=q_p,
        i2_pct=i2,
        tau2_site_interval=q_profile(own, 1.0 / total),
        unit_weight=weight[row, slot],
        sites=SiteEffects(sites, own, 1.0 / total, shrunken, 100.0 * q_site / q_site.sum()),
        left_out_mu=out[0],
        left_out_se=out[1],
        left_out_tau2_site=out[2],
    )


def pool_units(units: Units, mine: IntArray, *, leave_out: bool = True) -> SecondStage:
    """`pool_piles` for some rows of the stage-2 units."""
    return pool_piles(
        units.theta[mine],
        units.variance[mine],
        units.multiplier[mine],
        units.site[mine],
        leave_out=leave_out,
    )


def pad(
    theta: FloatArray, variance: FloatArray, multiplier: FloatArray, row: IntArray, n_sites: int
) -> tuple[NestedEffects, IntArray]:
    """Lay the units of each site side by side; also the place (n,) of each unit in its row."""
    order = np.argsort(row, kind="stable")
    counts = np.bincount(row, minlength=n_sites)
    starts = np.cumsum(counts) - counts
    slot = np.empty(len(row), dtype=np.int64)
    slot[order] = np.arange(len(row)) - np.repeat(starts, counts)
    shape = (n_sites, int(counts.max()))
    y, v, c = np.zeros(shape), np.ones(shape), np.ones(shape)
    present: BoolArray = np.zeros(shape, dtype=bool)
    y[row, slot], v[row, slot], c[row, slot] = theta, variance, multiplier
    present[row, slot] = True
    return NestedEffects(y, v, c, present), slot


def _fit(
    effects: NestedEffects, keep: BoolArray | None, separable: bool, start: FloatArray | None = None
) -> RemlFits:
    if separable:
        return fit_nested(effects, keep, start)
    return fit_nested(effects, keep, start, free=(True, False))


def _leave_one_out(
    effects: NestedEffects, full: RemlFits, separable: bool, wanted: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """All fits without one site, side by side, from the full fit's optimum."""
    n = effects.n_sites
    if n < 3 or not wanted:
        return np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    # The full optimum is a good start unless it sits on the boundary; then just inside.
    small = 0.01 * float(effects.variance[effects.present].mean())
    inside = np.maximum(full.tau2[0], [small, small if separable else 0.0])
    fit = _fit(effects, ~np.eye(n, dtype=bool), separable, inside)
    return fit.mu, fit.standard_error, fit.tau2[:, 0]


def _heterogeneity(
    effect: FloatArray, variance: FloatArray, tau2: float
) -> tuple[float, float, float]:
    w = 1.0 / variance
    mean = (w * effect).sum() / w.sum()
    q = float((w * (effect - mean) ** 2).sum())
    typical = typical_variance(variance)
    return q, float(chi2.sf(q, len(effect) - 1)), 100.0 * tau2 / (tau2 + typical)
