"""One material over several trials: trial and site random, sampling variances known.

Model, for row i (one material at one site of one trial) with the natural log rate y_i:

    y_i = μ + a_trial(i) + b_site(i) + m_material(i) + e_i
    a ~ N(0, τ_t²),  b ~ N(0, τ_s²),  m ~ N(0, τ_m²),  e_i ~ N(0, v_i) with v_i known

The material effect is there only when a family of several materials is pooled. A site that took
part in two trials is one site: the effects are crossed. Where every site took part in one trial, b
is the site within its trial. REML by `crossed_reml.py`; intervals with t on trials − 1 degrees of
freedom, predictions for a new site in a new trial with trials − 2.

Between trials:  ȳ_t = Σ w y / Σ w over the rows of a trial, w = 1/(v + τ_s² + τ_m²)
                 Q = Σ_t W_t (ȳ_t − ȳ)²,  W_t = Σ w,  against chi² with trials − 1
Two trials drawn at random differ by a typical factor (median) of exp(0.6745·√2·τ_t).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm
from scipy.stats import t as student_t

from registry.science.crossed_reml import CrossedFit, fit_crossed
from registry.science.types import FloatArray, IntArray, ScienceError, Warning_

MIN_TRIALS_TO_POOL = 2
# Two trials say almost nothing about how much a third one differs.
MIN_TRIALS_TO_PREDICT = 3
FEW_TRIALS = 5
# Trials of one material that typically differ by this factor do not measure one thing: heat, mesh
# or the material itself differed, and a mean over them answers nobody's question. Agreed here; no
# source. Sites within one study of the same litter differed fourfold at most.
TOO_DIFFERENT_FACTOR = 2.0
TOO_DIFFERENT_P = 0.05


@dataclass(frozen=True)
class TrialMean:
    """One trial's own mean; `left_out_mu` is the mean without it, None below three trials."""

    trial: str
    log_mean: float
    log_standard_error: float
    n_rows: int
    left_out_mu: float | None
    left_out_standard_error: float | None


@dataclass(frozen=True)
class AcrossTrials:
    """The pooled log rate over trials; intervals on the log scale, None where not estimable."""

    mu: float
    standard_error: float
    ci: tuple[float, float]
    pi: tuple[float, float] | None
    tau2_trial: float
    tau2_site: float
    tau2_material: float | None
    typical_factor: float
    q: float
    q_df: int
    q_p: float
    n_trials: int
    n_sites: int
    n_rows: int
    trials: tuple[TrialMean, ...]
    advised: bool
    warnings: tuple[Warning_, ...]


def pool_across_trials(
    effect: FloatArray,
    variance: FloatArray,
    trial: Sequence[str],
    site: Sequence[str],
    material: Sequence[str],
    level: float = 0.95,
) -> AcrossTrials:
    """Pool the rows of two or more trials.

    Parameters
    ----------
    effect, variance : (n,) natural log of a rate or of days, and its sampling variance, > 0.
    trial, site, material : (n,) names; the material effect is fitted when there are several.

    Raises
    ------
    ScienceError when there are fewer than two trials or a number is not finite.
    FitDidNotConverge
    """
    y, v = _checked(effect, variance)
    names, codes = np.unique(np.asarray(trial, dtype=object).astype(str), return_inverse=True)
    if len(names) < MIN_TRIALS_TO_POOL:
        raise ScienceError("One trial is not pooled across trials; read the trial itself.")
    factors = [codes, _codes(site)]
    if len(set(material)) > 1:
        factors.append(_codes(material))
    fit = fit_crossed(y, v, factors)
    q, means, weights = _between(y, v, codes, fit, len(names))
    q_p = float(chi2.sf(q, len(names) - 1))
    factor = math.exp(float(norm.ppf(0.75)) * math.sqrt(2.0 * fit.tau2[0]))
    advised = not (factor > TOO_DIFFERENT_FACTOR and q_p < TOO_DIFFERENT_P)
    return AcrossTrials(
        mu=fit.mu,
        standard_error=fit.standard_error,
        ci=_interval(fit.mu, fit.standard_error, len(names) - 1, level),
        pi=_prediction(fit, len(names), level),
        tau2_trial=float(fit.tau2[0]),
        tau2_site=float(fit.tau2[1]),
        tau2_material=float(fit.tau2[2]) if len(factors) > 2 else None,
        typical_factor=factor,
        q=q,
        q_df=len(names) - 1,
        q_p=q_p,
        n_trials=len(names),
        n_sites=len(set(site)),
        n_rows=len(y),
        trials=_trials(names, codes, means, weights, _without_each(y, v, factors, len(names))),
        advised=advised,
        warnings=tuple(_warnings(len(names), factor, advised, fit)),
    )


def _checked(effect: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    y, v = np.asarray(effect, dtype=float), np.asarray(variance, dtype=float)
    if y.shape != v.shape or not (np.isfinite(y).all() and np.isfinite(v).all() and (v > 0).all()):
        raise ScienceError("Effects and variances must be finite, of one length, variances > 0.")
    return y, v


def _codes(names: Sequence[str]) -> IntArray:
    return np.unique(np.asarray(names, dtype=object).astype(str), return_inverse=True)[1]


def _between(
    y: FloatArray, v: FloatArray, trial: IntArray, fit: CrossedFit, n_trials: int
) -> tuple[float, FloatArray, FloatArray]:
    """Q between the trials, their means and the weights of these."""
    w = 1.0 / (v + float(fit.tau2[1:].sum()))
    weight: FloatArray = np.bincount(trial, w, n_trials).astype(float)
    mean = np.bincount(trial, w * y, n_trials) / weight
    centre = float((weight * mean).sum() / weight.sum())
    return float((weight * (mean - centre) ** 2).sum()), mean, weight


def _interval(mu: float, error: float, df: int, level: float) -> tuple[float, float]:
    half = float(student_t.ppf(0.5 + level / 2, df)) * error
    return mu - half, mu + half


def _prediction(fit: CrossedFit, n_trials: int, level: float) -> tuple[float, float] | None:
    """For a new site in a new trial, of a new material where several were pooled."""
    if n_trials < MIN_TRIALS_TO_PREDICT:
        return None
    spread = math.sqrt(float(fit.tau2.sum()) + fit.standard_error**2)
    return _interval(fit.mu, spread, n_trials - 2, level)


def _without_each(
    y: FloatArray, v: FloatArray, factors: list[IntArray], n_trials: int
) -> list[CrossedFit | None]:
    if n_trials <= MIN_TRIALS_TO_POOL:
        return [None] * n_trials
    kept = [factors[0] != left for left in range(n_trials)]
    return [fit_crossed(y[keep], v[keep], [codes[keep] for codes in factors]) for keep in kept]


def _trials(
    names: FloatArray,
    codes: IntArray,
    means: FloatArray,
    weights: FloatArray,
    without: list[CrossedFit | None],
) -> tuple[TrialMean, ...]:
    counts = np.bincount(codes, minlength=len(names))
    return tuple(
        TrialMean(
            trial=str(name),
            log_mean=float(means[number]),
            log_standard_error=float(1.0 / math.sqrt(weights[number])),
            n_rows=int(counts[number]),
            left_out_mu=None if fit is None else fit.mu,
            left_out_standard_error=None if fit is None else fit.standard_error,
        )
        for number, (name, fit) in enumerate(zip(names, without, strict=True))
    )


def _warnings(n_trials: int, factor: float, advised: bool, fit: CrossedFit) -> list[Warning_]:
    found = []
    if not advised:
        found.append(
            Warning_(
                "trials_differ_too_much",
                f"Two of these trials typically differ by a factor of {factor:.1f}, more than "
                "chance explains. Read them side by side; a mean over them answers no question.",
            )
        )
    if n_trials < MIN_TRIALS_TO_PREDICT:
        found.append(
            Warning_(
                "two_trials", "Two trials cannot tell how a third one would turn out; see both."
            )
        )
    elif n_trials < FEW_TRIALS:
        found.append(
            Warning_("few_trials", f"Only {n_trials} trials: how much trials differ is uncertain.")
        )
    if fit.tau2[0] == 0.0:
        found.append(
            Warning_(
                "no_spread_between_trials",
                "These trials differ no more than their sites do: the spread between trials is "
                "estimated as zero.",
            )
        )
    return found
