"""What any pooling method says about one material's decay rate, before it is put into words.

Every method (two stages, one stage) returns one `RatePool` per material; `outcomes.py` turns it
into the pooled estimates people read. Rates are natural logs of a rate per day throughout.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from registry.science.predict import MIN_SITES_TO_POOL, RatePrediction
from registry.science.types import Warning_


@dataclass(frozen=True)
class SiteRate:
    """One site. `mu` is None where the site carries no rate; then a bound per day may be known."""

    site: str
    mu: float | None
    se: float | None
    shrunken_mu: float | None
    weight_pct: float | None
    n_piles: int
    n_bags: int
    rate_low: float | None = None
    rate_high: float | None = None
    note: str | None = None


@dataclass(frozen=True)
class WithoutSite:
    """The pooled log rate without one site."""

    site: str
    mu: float
    se: float
    tau2_site: float
    n_sites: int


@dataclass(frozen=True)
class LossCase:
    """The pooled log rate had lost bags been `gone` or `untouched`; None where it has none."""

    assumption: str
    mu: float | None
    se: float | None
    n_sites: int


@dataclass(frozen=True)
class Counts:
    """Who contributed to one material's estimate, in sites, piles, bags and looks."""

    n_sites: int = 0
    n_piles: int = 0
    n_bags: int = 0
    n_excluded: int = 0
    n_lost: int = 0
    n_nothing_left: int = 0


@dataclass(frozen=True)
class RatePool:
    """A material's pooled log rate; `mu` is None where the data cannot answer.

    rate_low, rate_high : bounds per day, given where there is no estimate.
    last_day : last look in the fit; nothing is drawn beyond it.
    """

    material: str
    model: str
    method: str
    counts: Counts
    mu: float | None = None
    se: float | None = None
    tau2_site: float | None = None
    tau2_pile: float | None = None
    i2_pct: float | None = None
    q: float | None = None
    q_df: int | None = None
    q_p: float | None = None
    tau2_site_low: float | None = None
    tau2_site_high: float | None = None
    lag: float = 0.0
    lag_low: float = 0.0
    lag_high: float = 0.0
    lag_sd: float = 0.0
    mu_by_lag: float = 0.0
    lag_identified: bool = False
    residual_a: float | None = None
    residual_b: float | None = None
    rate_low: float | None = None
    rate_high: float | None = None
    last_day: float = 0.0
    sites: tuple[SiteRate, ...] = ()
    left_out: tuple[WithoutSite, ...] = ()
    loss_cases: tuple[LossCase, ...] = ()
    warnings: tuple[Warning_, ...] = ()
    converged: bool = True
    at_boundary: bool = False
    n_evaluations: int = 0
    level: float = field(default=0.95)

    def prediction(self) -> RatePrediction | None:
        """The pooled rate as `predict.py` takes it; None without an estimate."""
        if self.mu is None or self.se is None or self.counts.n_sites < MIN_SITES_TO_POOL:
            return None
        return RatePrediction(
            mu=self.mu,
            se=self.se,
            tau2_site=self.tau2_site or 0.0,
            tau2_pile=self.tau2_pile or 0.0,
            n_sites=self.counts.n_sites,
            lag=self.lag,
            lag_sd=self.lag_sd,
            mu_by_lag=self.mu_by_lag,
            level=self.level,
        )

    def with_warnings(self, *more: Warning_) -> "RatePool":
        """A copy that says more."""
        return replace(self, warnings=self.warnings + more)


def number(value: float) -> float | None:
    """A float for a record: None where it is not finite."""
    return float(value) if np.isfinite(value) else None
