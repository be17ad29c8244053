"""One material's pooled rate as the contract's records: rate, days to 90 %, loss at a day.

τ², I² and Q stay on the model's scale, the natural log of the rate. Where there is no estimate, a
bound on the rate is handed on to the other outcomes. Site intervals are normal ones from the site's
own standard error, whose variance between piles is the pool's.
"""

from dataclasses import replace

import numpy as np

from registry.science.predict import (
    MIN_SITES_TO_POOL,
    RatePrediction,
    chance_lost_by,
    remaining,
    remaining_interval,
)
from registry.science.rate_pool import LossCase, RatePool, SiteRate, WithoutSite, number
from registry.science.readings import DaysReading, LossReading, RateReading, Reading
from registry.science.types import (
    ChanceByDay,
    CurvePoint,
    LeftOut,
    LossScenario,
    PooledEstimate,
    SiteEstimate,
    Warning_,
)

# Twelve and about twenty-six weeks: the two horizons disintegration tests are commonly read at.
CHANCE_DAYS = (84, 180)
_CURVE_STEPS = 56
_Z95 = 1.959963984540054

Pair = tuple[float | None, float | None]


def outcome_records(
    pool: RatePool, *, trial: str, heat_class: str, primary_day: float, model_version: str
) -> tuple[PooledEstimate, ...]:
    """decay_rate, days_to_90 and disintegration_at_day of one material, in this order."""
    readings: tuple[Reading, ...] = (RateReading(), DaysReading(), LossReading(primary_day))
    return tuple(_record(pool, r, trial, heat_class, model_version) for r in readings)


def _record(
    pool: RatePool, reading: Reading, trial: str, heat_class: str, model_version: str
) -> PooledEstimate:
    p = pool.prediction()
    estimate = reading.point(p) if p else None
    ci: Pair = reading.mean_interval(p) if p else _bounds(pool, reading)
    pi: Pair = (reading.new_interval(p) if p else None) or (None, None)
    logs = reading.pooled_logs(p) if p else (None, None)
    c = pool.counts
    return PooledEstimate(
        trial=trial,
        material=pool.material,
        outcome=reading.outcome,
        model=pool.model,
        day=reading.day,
        heat_class=heat_class,
        time_scale="days",
        estimate=estimate,
        ci_low=ci[0],
        ci_high=ci[1],
        pi_low=pi[0],
        pi_high=pi[1],
        level=pool.level,
        unit=reading.unit,
        log_estimate=logs[0],
        log_standard_error=logs[1],
        tau2_site=pool.tau2_site if p else None,
        tau2_pile=pool.tau2_pile if p else None,
        i2_pct=pool.i2_pct if p else None,
        q=pool.q if p else None,
        q_df=pool.q_df if p else None,
        q_p=pool.q_p if p else None,
        n_sites=c.n_sites,
        n_piles=c.n_piles,
        n_bags=c.n_bags,
        n_excluded=c.n_excluded,
        n_lost=c.n_lost,
        n_nothing_left=c.n_nothing_left,
        method=pool.method,
        model_version=model_version,
        chance_90_by=_chances(p),
        sites=tuple(_site(s, reading, pool.lag) for s in pool.sites),
        left_out=tuple(_left_out(x, reading, pool) for x in pool.left_out),
        curve=_curve(p, pool.last_day),
        loss_sensitivity=tuple(_loss_case(x, reading, pool) for x in pool.loss_cases),
        warnings=pool.warnings + _beyond(p, reading, estimate, pool.last_day),
        lag_days=pool.lag,
        lag_low=pool.lag_low,
        lag_high=pool.lag_high,
        lag_identified=pool.lag_identified,
        residual_a=pool.residual_a,
        residual_b=pool.residual_b,
        tau2_site_low=pool.tau2_site_low if p else None,
        tau2_site_high=pool.tau2_site_high if p else None,
        converged=pool.converged,
        at_boundary=pool.at_boundary,
        n_evaluations=pool.n_evaluations,
    )


def _bounds(of: RatePool | SiteRate, reading: Reading, lag: float = 0.0) -> Pair:
    """Bounds of the outcome where there is no estimate, from bounds of the rate."""
    low, high = (
        None if rate is None else reading.of_rate(rate, lag) for rate in (of.rate_low, of.rate_high)
    )
    return (high, low) if reading.falls_with_rate else (low, high)


def _site(s: SiteRate, reading: Reading, lag: float) -> SiteEstimate:
    estimate: float | None = None
    logs: Pair = (None, None)
    ci = _bounds(s, reading, lag)
    if s.mu is not None and s.se is not None:
        estimate = reading.of_rate(float(np.exp(s.mu)), lag)
        logs = reading.logs(estimate, lag, s.se)
        ends = [reading.of_rate(float(np.exp(s.mu + z * s.se)), lag) for z in (-_Z95, _Z95)]
        ci = (min(ends), max(ends))
    shrunken = s.shrunken_mu
    return SiteEstimate(
        site=s.site,
        estimate=estimate,
        log_estimate=logs[0],
        log_standard_error=logs[1],
        ci_low=ci[0],
        ci_high=ci[1],
        shrunken_estimate=None
        if shrunken is None
        else reading.of_rate(float(np.exp(shrunken)), lag),
        weight_pct=s.weight_pct,
        n_piles=s.n_piles,
        n_bags=s.n_bags,
        note=s.note,
    )


def _left_out(x: WithoutSite, reading: Reading, pool: RatePool) -> LeftOut:
    p = _like(pool, x.mu, x.se, x.n_sites)
    ci: Pair = reading.mean_interval(p) if p else (None, None)
    return LeftOut(
        site=x.site,
        estimate=reading.point(p) if p else None,
        ci_low=ci[0],
        ci_high=ci[1],
        tau2_site=number(x.tau2_site),
    )


def _loss_case(x: LossCase, reading: Reading, pool: RatePool) -> LossScenario:
    p = _like(pool, x.mu, x.se, x.n_sites)
    ci: Pair = reading.mean_interval(p) if p else (None, None)
    return LossScenario(x.assumption, reading.point(p) if p else None, ci[0], ci[1])


def _like(
    pool: RatePool, mu: float | None, se: float | None, n_sites: int
) -> RatePrediction | None:
    """A variant of the pooled rate with the lag of the pool."""
    p = pool.prediction()
    if p is None or mu is None or se is None or n_sites < MIN_SITES_TO_POOL:
        return None
    return replace(p, mu=mu, se=se, n_sites=n_sites)


def _chances(p: RatePrediction | None) -> tuple[ChanceByDay, ...]:
    if p is None or not p.can_predict:
        return ()
    chances = ((day, chance_lost_by(p, float(day))) for day in CHANCE_DAYS)
    return tuple(ChanceByDay(day, chance) for day, chance in chances if chance is not None)


def _curve(p: RatePrediction | None, last_day: float) -> tuple[CurvePoint, ...]:
    if p is None or last_day <= 0:
        return ()
    day = np.linspace(0.0, last_day, _CURVE_STEPS + 1)
    mean = remaining_interval(p, day, new_pile=False)
    new = remaining_interval(p, day, new_pile=True)
    return tuple(
        CurvePoint(
            day=float(day[i]),
            fitted=float(f),
            ci_low=float(mean[0][i]) if mean else None,
            ci_high=float(mean[1][i]) if mean else None,
            pi_low=float(new[0][i]) if new else None,
            pi_high=float(new[1][i]) if new else None,
        )
        for i, f in enumerate(remaining(p, day))
    )


def _beyond(
    p: RatePrediction | None, reading: Reading, estimate: float | None, last_day: float
) -> tuple[Warning_, ...]:
    """Say so when an answer, or a chance beside it, lies beyond the last look."""
    if p is None:
        return ()
    said = []
    day = reading.day if reading.day is not None else estimate
    if reading.unit != "1/d" and day is not None and day > last_day:
        said.append(
            Warning_(
                "beyond_last_look",
                f"This answer is about day {day:.0f}, but the last look was on day {last_day:.0f}; "
                "it assumes that the loss goes on at the same rate.",
            )
        )
    late = [f"day {chance.days}" for chance in _chances(p) if chance.days > last_day]
    if late:
        said.append(
            Warning_(
                "chance_beyond_last_look",
                f"The chance of 90 % by {' and by '.join(late)} looks beyond the last look, on day "
                f"{last_day:.0f}; it assumes that the loss goes on at the same rate.",
            )
        )
    return tuple(said)
