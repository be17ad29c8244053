"""What a grower may expect of one more pile: the pieces of the sentence, as data.

The band comes from `rating.py`. Beside it stand natural frequencies (in about n of ten such piles),
the typical time and its range, all from the same predictive distribution for a new pile at a new
site, with m and s as in `rating.py`:

    log k ~ m + s·t_{S-2},      days to 90 % = lag + ln(10)/k

The words describe what was left in bags. They certify nothing.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import t

from registry.science.outcomes import CHANCE_DAYS
from registry.science.predict import MIN_SITES_TO_PREDICT, TARGET_LOSS
from registry.science.rating import (
    MOST_PILES,
    RATING_DAY,
    Band,
    RateEvidence,
    Reading,
    band_of,
    rate_material,
)
from registry.science.types import PooledEstimate, ScienceError

# Why each cut-off is where it is; shown on the page beside it.
CUT_OFF_REASONS = {
    Band.GONE: "sieve tests of the trade ask for 90 % of the dry mass to be gone after 12 weeks "
    "(read in summaries of EN 13432)",
    Band.NEARLY_GONE: "what is left goes through the next heap with the sievings "
    "(common practice, no source)",
    Band.STILL_IN_PIECES: "pieces are plainly seen and have to be sieved out "
    "(common practice, no source)",
    Band.LITTLE_CHANGE: "most of the mass is still there (common practice, no source)",
}
# The range of days shown is that of the middle eight of ten piles.
RANGE_SHARES = (0.1, 0.9)
_BANDS = (Band.GONE, Band.NEARLY_GONE, Band.STILL_IN_PIECES, Band.LITTLE_CHANGE)


@dataclass(frozen=True)
class GrowerRating:
    """One material's rating with what its sentence needs.

    Attributes
    ----------
    heat_class : hot, warm, cool or all.
    chance_12_weeks, chance_26_weeks : that a new pile has lost 90 %, None if unknown.
    typical_days, days_low, days_high : days to 90 %; the middle eight of ten piles.
    loss_pct : loss after twelve weeks that most piles reach; a bound of it where `bounded`.
    reason : why there is not enough evidence, else None.
    """

    material: str
    heat_class: str
    band: Band
    confidence: str
    loss_pct: float | None
    bounded: bool
    chance_12_weeks: float | None
    chance_26_weeks: float | None
    typical_days: float | None
    days_low: float | None
    days_high: float | None
    n_sites: int
    n_piles: int
    n_bags: int
    last_look_day: float | None
    reason: str | None


def rate_for_growers(decay: PooledEstimate) -> GrowerRating:
    """Rate a material from its pooled `decay_rate`, of any model.

    Raises
    ------
    ScienceError for an estimate of another outcome.
    """
    if decay.outcome != "decay_rate":
        raise ScienceError(f"A rating is read from decay_rate, not from {decay.outcome}.")
    reading = rate_material(evidence_of(decay))
    days = days_until_gone(evidence_of(decay), (0.5, *RANGE_SHARES))
    if days and _contradicts(reading, decay):
        reading = Reading(Band.NOT_ENOUGH_EVIDENCE, "none", reading.day, None)
    chance = {c.days: c.probability for c in decay.chance_90_by}
    bounded = decay.estimate is None and reading.band is not Band.NOT_ENOUGH_EVIDENCE
    loss = reading.loss_in_most_piles_pct
    return GrowerRating(
        material=decay.material,
        heat_class=decay.heat_class,
        band=reading.band,
        confidence=reading.confidence,
        loss_pct=_bound_pct(decay, reading.band) if bounded else loss,
        bounded=bounded,
        chance_12_weeks=chance.get(CHANCE_DAYS[0]),
        chance_26_weeks=chance.get(CHANCE_DAYS[1]),
        typical_days=days[0] if days else None,
        days_low=days[1] if days else None,
        days_high=days[2] if days else None,
        n_sites=decay.n_sites,
        n_piles=decay.n_piles,
        n_bags=decay.n_bags,
        last_look_day=decay.curve[-1].day if decay.curve else None,
        reason=_why_not(decay, reading),
    )


def evidence_of(decay: PooledEstimate) -> RateEvidence:
    """The part of a pooled decay rate that a rating reads."""
    return RateEvidence(
        n_sites=decay.n_sites,
        log_rate=decay.log_estimate,
        pi_low=decay.pi_low,
        pi_high=decay.pi_high,
        level=decay.level,
        rate_low=decay.ci_low,
        rate_high=decay.ci_high,
        lag_days=decay.lag_days,
    )


def days_until_gone(evidence: RateEvidence, shares: tuple[float, ...]) -> tuple[float, ...] | None:
    """Days by which a share of new piles has lost 90 %, one per share (each in (0, 1)).

    None without a predictive distribution: fewer than three sites, or no rate.
    """
    if evidence.log_rate is None or not evidence.pi_low or not evidence.pi_high:
        return None
    df = evidence.n_sites - 2
    if df < 1:
        return None
    reach = np.log(evidence.pi_high / evidence.pi_low)
    scale = reach / (2.0 * t.ppf(0.5 + evidence.level / 2, df))
    # The quickest share of piles are those with the highest rates.
    rates = np.exp(evidence.log_rate - t.ppf(np.asarray(shares), df) * scale)
    days = (evidence.lag_days or 0.0) - np.log1p(-TARGET_LOSS) / rates
    return tuple(float(day) for day in days)


def _contradicts(reading: Reading, decay: PooledEstimate) -> bool:
    """Whether the word for the slow piles would be plainly wrong for the typical one."""
    if decay.estimate is None or reading.band is Band.NOT_ENOUGH_EVIDENCE:
        return False
    after_lag = max(reading.day - (decay.lag_days or 0.0), 0.0)
    typical = band_of(float(-100.0 * np.expm1(-decay.estimate * after_lag)))
    return abs(_BANDS.index(reading.band) - _BANDS.index(typical)) >= 2


def _bound_pct(decay: PooledEstimate, band: Band) -> float | None:
    rate = decay.ci_low if band is Band.GONE else decay.ci_high
    return None if rate is None else float(-100.0 * np.expm1(-rate * RATING_DAY))


def _why_not(decay: PooledEstimate, reading: Reading) -> str | None:
    if reading.band is not Band.NOT_ENOUGH_EVIDENCE:
        return None
    if decay.n_sites < MIN_SITES_TO_PREDICT:
        return f"fewer than {MIN_SITES_TO_PREDICT} sites have results"
    if decay.estimate is None:
        return "the looks do not give a rate of loss"
    return f"what {round(10 * MOST_PILES)} of 10 piles do and what is typical lie too far apart"
