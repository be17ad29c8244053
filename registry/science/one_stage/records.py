"""What the one-stage fit of one material reports. None always means: these looks cannot tell."""

from dataclasses import dataclass
from enum import StrEnum

from registry.science.types import Warning_


class OneStageOutcome(StrEnum):
    """How far the looks reach. Only `ESTIMATED` has a mean rate; the next two have a bound."""

    ESTIMATED = "estimated"
    ALL_GONE_AT_FIRST_LOOK = "all_gone_at_first_look"
    NO_MEASURABLE_LOSS = "no_measurable_loss"
    TOO_FEW_LOOKS = "too_few_looks"
    RATE_TOO_UNCERTAIN = "rate_too_uncertain"
    NO_OPTIMUM = "no_optimum"


@dataclass(frozen=True)
class SiteRate:
    """One site inside the one-stage model; rates are natural logs of per-day rates.

    Attributes
    ----------
    site : the caller's code.
    own, own_se : its own mean log rate, lag and variances as pooled, nothing borrowed from other
        sites; None where the site alone has no rate (all gone at the first look, no loss yet).
    shrunken, shrunken_se : conditional mode of μ + u_s and its conditional standard deviation.
    weight : share of the site in the pooled mean, 0-1.
    """

    site: int
    n_piles: int
    n_looks: int
    own: float | None
    own_se: float | None
    shrunken: float
    shrunken_se: float
    weight: float


@dataclass(frozen=True)
class LagEstimate:
    """Lag in days, with its 95 % profile-likelihood interval.

    Attributes
    ----------
    identified : false = the looks cannot tell a lag; `days` is then fixed at 0 and the ends None.
    seen : whether some look fell before the first loss; otherwise the lag rests on the curve's
        shape, and `rate_times_lag` (k·L at the mean rate) is what the looks support.
    standard_error : half the interval over 1.96, days.
    """

    days: float
    low: float | None
    high: float | None
    standard_error: float | None
    identified: bool
    seen: bool
    rate_times_lag: float


@dataclass(frozen=True)
class Counts:
    """Looks behind a fit: weighed ones and those at or below the detection limit."""

    n_sites: int
    n_piles: int
    n_weighed: int
    n_censored: int


@dataclass(frozen=True)
class OneStageFit:
    """The primary estimate of one material.

    Attributes
    ----------
    mu, se : mean log rate (natural log of per day) over sites and its standard error; a
        t interval takes n_sites − 1 degrees of freedom.
    tau2_site, tau2_pile, tau2_bag : variances of the log rate; None = not separable or not asked.
    a, b : residual variance a + b f²; squared scales when the residual is Student's.
    mu_lag_covariance : covariance of mu and the lag, days; with `lag.standard_error` for curves.
    rate_low, rate_high : bound on the rate, per day, where the outcome has only that.
    criterion : restricted (REML-like) Laplace criterion at the estimate.
    loglik : Laplace log-likelihood at the estimate.
    """

    outcome: OneStageOutcome
    residual: str  # normal | student
    counts: Counts
    mu: float | None = None
    se: float | None = None
    tau2_site: float | None = None
    tau2_pile: float | None = None
    tau2_bag: float | None = None
    lag: LagEstimate | None = None
    mu_lag_covariance: float = 0.0
    a: float | None = None
    b: float | None = None
    rate_low: float | None = None
    rate_high: float | None = None
    sites: tuple[SiteRate, ...] = ()
    criterion: float | None = None
    loglik: float | None = None
    converged: bool = False
    at_boundary: bool = False
    n_evaluations: int = 0
    notes: tuple[Warning_, ...] = ()


@dataclass(frozen=True)
class SiteLeftOut:
    """The pooled answer without one site; None where the remaining looks cannot tell."""

    site: int
    mu: float | None
    se: float | None
    tau2_site: float | None
    tau2_pile: float | None
    lag_days: float | None


@dataclass(frozen=True)
class StudentCheck:
    """The same model with Student-t residuals, as a sensitivity.

    Attributes
    ----------
    difference_in_se : (Student − normal) mean log rate over the normal fit's standard error.
    warns : the difference exceeds half a standard error: a few bags move the answer.
    """

    mu: float
    tau2_site: float | None
    tau2_pile: float | None
    lag_days: float
    difference_in_se: float
    warns: bool
