"""How much sites differ: effects with known variances, one effect per site.

Model:  y_i = μ + u_i + e_i,   u ~ N(0, τ²),   e_i ~ N(0, v_i) known;   w_i = 1/(v_i + τ²)

    Q       Σ (y_i - ȳ)²/v_i, ȳ weighted by 1/v: chi-squared with S - 1 degrees of freedom if τ² = 0
    I²      100·τ²/(τ² + ṽ), share of the variance of a site's estimate that is real difference
    ṽ       (S-1)·Σ(1/v) / [(Σ1/v)² - Σ1/v²], the typical sampling variance
    Q-profile   the τ² at which the generalised Q equals its chi-squared quantiles

References: Cochran (1954) Biometrics 10, 101-129 (Q); DerSimonian and Laird (1986) Control. Clin.
Trials 7, 177-188 (DL); Paule and Mandel (1982) J. Res. NBS 87, 377-385 (PM); Higgins and Thompson
(2002) Stat. Med. 21, 1539-1558 (I², H²); Viechtbauer (2007) Stat. Med. 26, 37-52 (Q-profile);
Knapp and Hartung (2003) Stat. Med. 22, 2693-2710.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2, norm, t

from registry.science.nested_reml import fit_nested
from registry.science.nested_sums import NestedEffects
from registry.science.types import FloatArray, ScienceError

Estimator = Literal["REML", "ML", "DL", "PM", "EE"]
Test = Literal["t", "knapp_hartung", "z"]


@dataclass(frozen=True)
class PooledEffect:
    """A mean of site effects with its heterogeneity; scales follow the effects."""

    mu: float
    standard_error: float
    ci_low: float
    ci_high: float
    df: int | None
    tau2: float
    q: float
    q_df: int
    q_p: float
    i2_pct: float
    h2: float
    weight_pct: FloatArray


def pool_effects(
    effect: FloatArray,
    variance: FloatArray,
    *,
    estimator: Estimator = "REML",
    test: Test = "t",
    level: float = 0.95,
) -> PooledEffect:
    """Pool effects with known variances.

    Parameters
    ----------
    effect, variance : (n,) with n >= 2, finite, variance > 0.
    test : `t` uses S - 1 degrees of freedom with the model's standard error; `knapp_hartung` the
        same with its own standard error; `z` the normal distribution.

    Raises
    ------
    ScienceError when the input cannot be pooled.
    """
    effect, variance = _checked(effect, variance)
    n = len(effect)
    tau2 = between_variance(effect, variance, estimator)
    w = 1.0 / (variance + tau2)
    mu = float((w * effect).sum() / w.sum())
    se = float(1.0 / np.sqrt(w.sum()))
    if test == "knapp_hartung":
        se = float(np.sqrt((w * (effect - mu) ** 2).sum() / ((n - 1) * w.sum())))
    df = None if test == "z" else n - 1
    point = norm.ppf(0.5 + level / 2) if df is None else t.ppf(0.5 + level / 2, df)
    q = generalised_q(effect, variance, 0.0)
    typical = typical_variance(variance)
    # A common effect has no τ²; its I² is the share of Q beyond its expectation.
    i2 = 100.0 * (max(0.0, (q - (n - 1)) / q) if q > 0 else 0.0)
    h2 = q / (n - 1)
    if estimator != "EE":
        i2, h2 = 100.0 * tau2 / (tau2 + typical), tau2 / typical + 1.0
    return PooledEffect(
        mu=mu,
        standard_error=se,
        ci_low=mu - float(point) * se,
        ci_high=mu + float(point) * se,
        df=df,
        tau2=tau2,
        q=q,
        q_df=n - 1,
        q_p=float(chi2.sf(q, n - 1)),
        i2_pct=i2,
        h2=h2,
        weight_pct=100.0 * w / w.sum(),
    )


def between_variance(effect: FloatArray, variance: FloatArray, estimator: Estimator) -> float:
    """τ² by one estimator, never below 0."""
    effect, variance = _checked(effect, variance)
    if estimator == "EE":
        return 0.0
    if estimator == "DL":
        return _dersimonian_laird(effect, variance)
    if estimator == "PM":
        return _tau2_where(effect, variance, float(len(effect) - 1))
    one_pile = np.ones((len(effect), 1))
    nested = NestedEffects(effect[:, None], variance[:, None], one_pile, one_pile.astype(bool))
    fit = fit_nested(nested, restricted=estimator == "REML", free=(True, False))
    return float(fit.tau2[0, 0])


def generalised_q(effect: FloatArray, variance: FloatArray, tau2: float) -> float:
    """Q(τ²) = Σ w·(y - μ̂)² with w = 1/(v + τ²); falls as τ² grows."""
    w = 1.0 / (variance + tau2)
    mu = (w * effect).sum() / w.sum()
    return float((w * (effect - mu) ** 2).sum())


def typical_variance(variance: FloatArray) -> float:
    """ṽ of the module's head."""
    w = 1.0 / variance
    return float((len(w) - 1) * w.sum() / (w.sum() ** 2 - (w * w).sum()))


def q_profile(effect: FloatArray, variance: FloatArray, level: float = 0.95) -> tuple[float, float]:
    """Interval of τ²; both ends are 0 when even τ² = 0 leaves less spread than chance would."""
    effect, variance = _checked(effect, variance)
    df = len(effect) - 1
    low = _tau2_where(effect, variance, float(chi2.ppf(0.5 + level / 2, df)))
    high = _tau2_where(effect, variance, float(chi2.ppf(0.5 - level / 2, df)))
    return low, high


def _dersimonian_laird(effect: FloatArray, variance: FloatArray) -> float:
    w = 1.0 / variance
    q = generalised_q(effect, variance, 0.0)
    return float(max(0.0, (q - (len(w) - 1)) / (w.sum() - (w * w).sum() / w.sum())))


def _tau2_where(effect: FloatArray, variance: FloatArray, target: float) -> float:
    """τ² >= 0 at which Q(τ²) = target; 0 when Q is below it already."""
    if generalised_q(effect, variance, 0.0) <= target:
        return 0.0
    high = float(variance.max() + np.var(effect))
    while generalised_q(effect, variance, high) > target:
        high *= 4.0
    root = brentq(
        lambda x: generalised_q(effect, variance, x) - target, 0.0, high, xtol=1e-14, rtol=1e-14
    )
    return float(root)


def _checked(effect: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    effect, variance = np.asarray(effect, float), np.asarray(variance, float)
    if effect.shape != variance.shape or effect.ndim != 1 or len(effect) < 2:
        raise ScienceError("Pooling needs two or more effects, each with one variance.")
    if not (np.isfinite(effect).all() and np.isfinite(variance).all() and (variance > 0).all()):
        raise ScienceError("Effects must be finite and variances finite and above zero.")
    return effect, variance
