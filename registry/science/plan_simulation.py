"""How wide the interval of days to 90 % will be: trials of the primary model, drawn and fitted.

Each trial is drawn from the model of `one_stage` at the assumed truth,

    log k = μ + u_s + d_sp,   y = exp(−k·max(0, t − L)) + ε,   Var ε = a + b f²,

bags at or below the detection limit count as empty, and is fitted as a real one would be. The
answer holds what a plan really gets: variances and lag estimated, trials without an answer counted.
Trial i of a seed is the same whatever the number of trials.
"""

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from registry.science.one_stage.cells import Looks, check_looks
from registry.science.one_stage.fit import fit_looks
from registry.science.one_stage.records import OneStageFit, OneStageOutcome
from registry.science.plan import MIN_SITES, DecayTruth, Plan
from registry.science.predict import RatePrediction, days_interval
from registry.science.types import FloatArray, ScienceError

OnTrial = Callable[[int, int], None]


@dataclass(frozen=True)
class SimulatedWidth:
    """What `n_trials` drawn trials gave; None where too few had an interval.

    Attributes
    ----------
    n_with_interval : trials that had one; `outcomes` (name, count) says what the others were.
    half_width : mean half width of the interval of log (t90 − L); `half_width_error` its
        Monte-Carlo standard error; `half_width_low`, `half_width_high` the 10 % and 90 % points.
    factor : exp(half_width).
    coverage : share of the intervals that held the true typical days; `coverage_error` likewise.
    """

    n_trials: int
    seed: int
    n_with_interval: int
    outcomes: tuple[tuple[str, int], ...]
    half_width: float | None
    half_width_error: float | None
    half_width_low: float | None
    half_width_high: float | None
    factor: float | None
    coverage: float | None
    coverage_error: float | None


def simulate_days_to_90(
    truth: DecayTruth,
    plan: Plan,
    days: FloatArray,
    *,
    n_trials: int,
    seed: int,
    detection_limit: float = 0.02,
    level: float = 0.95,
    on_trial: OnTrial | None = None,
) -> SimulatedWidth:
    """Draw and fit `n_trials` trials of one material; `on_trial` is called as (done, n_trials)."""
    if n_trials < 1:
        raise ScienceError("Simulate one trial or more.")
    if plan.sites < MIN_SITES:
        raise ScienceError("A plan needs at least two sites: one says nothing about others.")
    counted: Counter[str] = Counter()
    halves, held = [], 0
    for i, child in enumerate(np.random.SeedSequence(seed).spawn(n_trials)):
        looks = draw_looks(truth, plan, days, detection_limit, np.random.default_rng(child))
        fit = fit_looks(looks)
        counted[fit.outcome.value] += 1
        ends = _interval(fit, plan.sites, level)
        if ends is not None:
            low, high, lag = ends
            halves.append(0.5 * math.log((high - lag) / (low - lag)))
            held += low <= truth.days_to_90 <= high
        if on_trial is not None:
            on_trial(i + 1, n_trials)
    return _summary(np.array(halves), held, n_trials, seed, counted)


def draw_looks(
    truth: DecayTruth,
    plan: Plan,
    days: FloatArray,
    detection_limit: float,
    rng: np.random.Generator,
) -> Looks:
    """The looks of one drawn trial of one material, `plan.bags` bags per pile on each of `days`."""
    pile_site = np.repeat(np.arange(plan.sites), plan.piles)
    log_rate = math.log(truth.rate_per_day) + rng.normal(
        0.0, math.sqrt(truth.tau2_site), plan.sites
    )
    log_rate = log_rate[pile_site] + rng.normal(0.0, math.sqrt(truth.tau2_pile), plan.n_piles)
    per_pile = len(days) * plan.bags
    pile = np.repeat(np.arange(plan.n_piles), per_pile)
    day = np.tile(np.repeat(np.asarray(days, dtype=float), plan.bags), plan.n_piles)
    f = np.exp(-np.exp(log_rate[pile]) * np.maximum(0.0, day - truth.lag_days))
    left = f + rng.standard_normal(len(f)) * np.sqrt(truth.a + truth.b * f**2)
    limit = np.full(len(f), detection_limit)
    return check_looks(pile_site[pile], pile, day, left, left <= limit, limit, None, None)


def _interval(fit: OneStageFit, n_sites: int, level: float) -> tuple[float, float, float] | None:
    """Interval of the mean days to 90 % as the pooling reports it, and the lag in it."""
    if fit.outcome is not OneStageOutcome.ESTIMATED or fit.mu is None or fit.se is None:
        return None
    lag_sd = (fit.lag.standard_error if fit.lag else None) or 0.0
    prediction = RatePrediction(
        mu=fit.mu,
        se=fit.se,
        tau2_site=fit.tau2_site or 0.0,
        tau2_pile=fit.tau2_pile or 0.0,
        n_sites=n_sites,
        lag=fit.lag.days if fit.lag else 0.0,
        lag_sd=lag_sd,
        mu_by_lag=fit.mu_lag_covariance / lag_sd**2 if lag_sd > 0 else 0.0,
        level=level,
    )
    ends = days_interval(prediction, new_pile=False)
    return None if ends is None else (*ends, prediction.lag)


def _summary(
    halves: FloatArray, held: int, n_trials: int, seed: int, counted: Counter[str]
) -> SimulatedWidth:
    n = len(halves)
    if n < 2:
        nothing = (None,) * 7
        return SimulatedWidth(n_trials, seed, n, tuple(sorted(counted.items())), *nothing)
    low, high = np.quantile(halves, [0.1, 0.9])
    mean, covered = float(halves.mean()), held / n
    return SimulatedWidth(
        n_trials=n_trials,
        seed=seed,
        n_with_interval=n,
        outcomes=tuple(sorted(counted.items())),
        half_width=mean,
        half_width_error=float(halves.std(ddof=1) / math.sqrt(n)),
        half_width_low=float(low),
        half_width_high=float(high),
        factor=math.exp(mean),
        coverage=covered,
        coverage_error=math.sqrt(covered * (1 - covered) / n),
    )
