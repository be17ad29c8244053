"""From a pooled log rate to days, losses, curves and chances, with two kinds of spread.

    μ, se      mean log rate and its standard error at the lag L
    τ_s², τ_p² variance between sites, and between piles of a site
    S          sites that carry a rate

    mean            μ ± t_{S-1}·se
    a new pile at a new site
                    μ ± t_{S-2}·√(τ_s² + τ_p² + se²)        (none with fewer than three sites)
    days to lose p  D = L - log(1-p)·exp(-μ)

The lag is estimated too. A change δ of L moves μ by μ'·δ (μ' = dμ/dL), so what it does to D is
δ·(1 - (D-L)·μ'): lag and rate largely cancel in D. Every interval carries that part exactly to
first
order: as a variance of log(D-L) for days and chances, added in quadrature on -log f for curves.

Reference: Higgins, Thompson and Spiegelhalter (2009) J. R. Stat. Soc. A 172, 137-159 (t_{S-2}).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from registry.science.types import FloatArray

# Two sites say almost nothing about how much a third one differs; show both, predict nothing.
MIN_SITES_TO_PREDICT = 3
# One site cannot be told from the rest of the world.
MIN_SITES_TO_POOL = 2
# The loss that counts as disintegrated; exactly this much counts as reached.
TARGET_LOSS = 0.9


@dataclass(frozen=True)
class RatePrediction:
    """A pooled log rate with everything its intervals need; variances on the log scale."""

    mu: float
    se: float
    tau2_site: float
    tau2_pile: float
    n_sites: int
    lag: float = 0.0
    lag_sd: float = 0.0
    mu_by_lag: float = 0.0
    level: float = 0.95

    @property
    def se_with_lag(self) -> float:
        """Standard error of μ with the lag's own uncertainty in it."""
        return float(np.hypot(self.se, self.mu_by_lag * self.lag_sd))

    @property
    def can_predict(self) -> bool:
        return self.n_sites >= MIN_SITES_TO_PREDICT

    @property
    def t_mean(self) -> float:
        return float(stdtrit(self.n_sites - 1, 0.5 + self.level / 2))

    @property
    def t_new(self) -> float:
        return float(stdtrit(self.n_sites - 2, 0.5 + self.level / 2))

    def sd_new(self, se: float) -> float:
        """Predictive scale for a new pile at a new site, given a standard error of the mean."""
        return float(np.sqrt(self.tau2_site + self.tau2_pile + se * se))


def rate_interval(p: RatePrediction) -> tuple[float, float]:
    """Interval of the mean rate, per day."""
    half = p.t_mean * p.se_with_lag
    return float(np.exp(p.mu - half)), float(np.exp(p.mu + half))


def new_rate_interval(p: RatePrediction) -> tuple[float, float] | None:
    """Interval of the rate of a new pile at a new site, per day; None below three sites."""
    if not p.can_predict:
        return None
    half = p.t_new * p.sd_new(p.se_with_lag)
    return float(np.exp(p.mu - half)), float(np.exp(p.mu + half))


def days_to_lose(p: RatePrediction, lost: float = TARGET_LOSS) -> float:
    """Days until the typical pile has lost the fraction `lost`."""
    return float(p.lag - np.log1p(-lost) * np.exp(-p.mu))


def days_interval(
    p: RatePrediction, *, new_pile: bool, lost: float = TARGET_LOSS
) -> tuple[float, float] | None:
    """Interval of the days to lose `lost`: of the mean, or of a new pile at a new site."""
    if new_pile and not p.can_predict:
        return None
    se = days_se(p, lost)
    half = p.t_new * p.sd_new(se) if new_pile else p.t_mean * se
    reach = -np.log1p(-lost) * np.exp(-p.mu + np.array([-half, half]))
    return float(p.lag + reach[0]), float(p.lag + reach[1])


def days_se(p: RatePrediction, lost: float = TARGET_LOSS) -> float:
    """Standard error of log(D - L), the lag's part included."""
    after_lag = -np.log1p(-lost) * np.exp(-p.mu)
    return float(np.hypot(p.se, (p.mu_by_lag - 1.0 / after_lag) * p.lag_sd))


def chance_lost_by(p: RatePrediction, day: float, lost: float = TARGET_LOSS) -> float | None:
    """Chance that a new pile at a new site has lost `lost` or more by `day`; None if unknown."""
    if not p.can_predict:
        return None
    if day <= p.lag:
        return 0.0
    needed = float(np.log(-np.log1p(-lost) / (day - p.lag)))
    se = float(np.hypot(p.se, (p.mu_by_lag - 1.0 / (day - p.lag)) * p.lag_sd))
    return float(stdtr(p.n_sites - 2, (p.mu - needed) / p.sd_new(se)))


def remaining(p: RatePrediction, day: FloatArray) -> FloatArray:
    """Fraction remaining in the typical pile."""
    return np.asarray(np.exp(-np.exp(p.mu) * np.maximum(day - p.lag, 0.0)))


def remaining_interval(
    p: RatePrediction, day: FloatArray, *, new_pile: bool
) -> tuple[FloatArray, FloatArray] | None:
    """Pointwise interval of the fraction remaining, (n,) low and high."""
    if new_pile and not p.can_predict:
        return None
    t_value = p.t_new if new_pile else p.t_mean
    half = t_value * (p.sd_new(p.se) if new_pile else p.se)
    exponent = -np.log(remaining(p, day))
    # Shift the lag by its own half width, the rate following, and add both parts in quadrature.
    shifts = [
        np.exp(p.mu + p.mu_by_lag * d) * np.maximum(day - p.lag - d, 0.0) - exponent
        for d in (-t_value * p.lag_sd, t_value * p.lag_sd)
    ]
    up = np.hypot(exponent * np.expm1(half), np.maximum(np.maximum(*shifts), 0.0))
    down = np.hypot(exponent * -np.expm1(-half), np.maximum(-np.minimum(*shifts), 0.0))
    return np.exp(-(exponent + up)), np.exp(-np.maximum(exponent - down, 0.0))
