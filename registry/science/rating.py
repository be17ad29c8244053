"""From a pooled rate to a plain rating: which loss may be expected in most new piles.

A rating speaks of a new pile at a new site, never of the mean. The predictive distribution of its
log rate is that of the pooled estimate,

    log k_new ~ μ + s·t_{S-2},      s = (log pi_high - log pi_low) / (2·t_{S-2; 0.975}),

with S sites (Higgins, Thompson and Spiegelhalter 2009, J. R. Stat. Soc. A 172, 137-159). The loss
that `MOST_PILES` of such piles reach or pass by a day follows from its lower end,

    k_low = exp(μ - s·t_{S-2; MOST_PILES}),     loss = 1 - exp(-k_low·max(0, day - lag)),

and falls into one of four bands. *Not enough evidence* is a separate answer, not the lowest band.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.stats import t

from registry.science.predict import MIN_SITES_TO_PREDICT, TARGET_LOSS

# What 8 of 10 piles do is what a grower may plan with; 19 of 20 would ask for more sites than a
# trial of this kind has (our choice, no source).
MOST_PILES = 0.8
# Twelve weeks: the span of the common sieve tests, and of one season's pile (common practice).
RATING_DAY = 84.0
# Lowest loss of each band, per cent of the dry mass. 90 % is the limit of the common sieve tests;
# 70 and 30 split the rest by what is found at sieving (our choice, no source). Exactly the limit
# counts as reached.
CUT_OFFS_PCT = {"gone": 100.0 * TARGET_LOSS, "nearly_gone": 70.0, "still_in_pieces": 30.0}
# Sites behind a confidence word; below three nothing is said (common practice, no source).
CONFIDENCE_SITES = {"good": 10, "fair": 5, "low": MIN_SITES_TO_PREDICT}
# A loss of exactly 90 % must not fall short of it by its last binary digit.
_ROUNDING = 1e-9


class Band(StrEnum):
    """How much is lost in most new piles by the rating's day."""

    GONE = "gone"
    NEARLY_GONE = "nearly_gone"
    STILL_IN_PIECES = "still_in_pieces"
    LITTLE_CHANGE = "little_change"
    NOT_ENOUGH_EVIDENCE = "not_enough_evidence"


@dataclass(frozen=True, slots=True)
class RateEvidence:
    """What a pooled decay rate says of one material in one class of piles.

    log_rate : natural log of the rate per day, None without an estimate.
    pi_low, pi_high : interval of the rate of a new pile at a new site, at `level`.
    rate_low, rate_high : interval or bounds of the mean rate, per day.
    lag_days : days before the loss begins.
    """

    n_sites: int
    log_rate: float | None
    pi_low: float | None
    pi_high: float | None
    level: float = 0.95
    rate_low: float | None = None
    rate_high: float | None = None
    lag_days: float | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """A rating: its band, the day it speaks of, and the loss in most piles by then, per cent."""

    band: Band
    confidence: str
    day: float
    loss_in_most_piles_pct: float | None


def rate_material(evidence: RateEvidence, *, day: float = RATING_DAY) -> Reading:
    """Read a rating off the predictive distribution.

    A material that lost nothing measurable, or was gone before anybody looked, has no rate but a
    bound of it at each of its sites; where the bound settles the band, the band is given.
    """
    if evidence.n_sites < MIN_SITES_TO_PREDICT:
        return Reading(Band.NOT_ENOUGH_EVIDENCE, "none", day, None)
    loss = _loss_in_most_piles_pct(evidence, day)
    if loss is not None:
        return Reading(band_of(loss), confidence_of(evidence.n_sites), day, loss)
    band = _band_of_bounds(evidence, day)
    confidence = "none" if band is Band.NOT_ENOUGH_EVIDENCE else "low"
    return Reading(band, confidence, day, None)


def band_of(loss_pct: float) -> Band:
    """The band of a loss, per cent."""
    for name, limit in CUT_OFFS_PCT.items():
        if loss_pct >= limit * (1.0 - _ROUNDING):
            return Band(name)
    return Band.LITTLE_CHANGE


def confidence_of(n_sites: int) -> str:
    """The confidence word of a number of sites: good, fair, low or none."""
    return next((word for word, least in CONFIDENCE_SITES.items() if n_sites >= least), "none")


def _loss_in_most_piles_pct(evidence: RateEvidence, day: float) -> float | None:
    if evidence.log_rate is None or not evidence.pi_low or not evidence.pi_high:
        return None
    degrees = evidence.n_sites - 2
    half = 0.5 * (np.log(evidence.pi_high) - np.log(evidence.pi_low))
    scale = half / t.ppf(0.5 + evidence.level / 2, degrees)
    low = float(np.exp(evidence.log_rate - scale * t.ppf(MOST_PILES, degrees)))
    return _loss_pct(low, evidence, day)


def _band_of_bounds(evidence: RateEvidence, day: float) -> Band:
    """`gone` or `little_change` where a bound alone is enough, else not enough evidence."""
    if evidence.log_rate is not None:
        return Band.NOT_ENOUGH_EVIDENCE
    if evidence.rate_low and band_of(_loss_pct(evidence.rate_low, evidence, day)) is Band.GONE:
        return Band.GONE
    if evidence.rate_high is not None:
        highest = band_of(_loss_pct(evidence.rate_high, evidence, day))
        if highest is Band.LITTLE_CHANGE:
            return Band.LITTLE_CHANGE
    return Band.NOT_ENOUGH_EVIDENCE


def _loss_pct(rate: float, evidence: RateEvidence, day: float) -> float:
    return float(-100.0 * np.expm1(-rate * max(0.0, day - (evidence.lag_days or 0.0))))
