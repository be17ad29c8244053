"""Differences between materials: against a reference, or all pairs."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import t as t_distribution

from registry.science.mixed.degrees_of_freedom import Boundary, DfMethod, Linear, estimate_linear
from registry.science.mixed.general import MixedFit
from registry.science.mixed.letters import compact_letters
from registry.science.mixed.multiplicity import (
    Adjustment,
    holm,
    multivariate_t,
    multivariate_t_margin,
    tukey,
    tukey_margin,
    two_sided,
)
from registry.science.types import FloatArray, IntArray


@dataclass(frozen=True)
class Contrasts:
    """m differences `first` − `second` (indices of materials); arrays are (m,).

    `p_adjusted` and the interval allow for all m comparisons by `adjustment`; Holm has no interval
    of its own, so there (and for "none") the interval is for one comparison.
    """

    first: IntArray
    second: IntArray
    estimate: FloatArray
    standard_error: FloatArray
    df: FloatArray
    t: FloatArray
    p: FloatArray
    p_adjusted: FloatArray
    ci_low: FloatArray
    ci_high: FloatArray
    adjustment: Adjustment
    level: float


def against_reference(
    fit: MixedFit,
    means: FloatArray,
    reference: int,
    adjustment: Adjustment = "multivariate_t",
    df_method: DfMethod = "kenward_roger",
    boundary: Boundary = "drop",
    level: float = 0.95,
    others: IntArray | None = None,
) -> Contrasts:
    """Every material less the reference; `means` (k, p) gives each material's mean as L β.

    others : indices of the materials to compare, adjusted for their number alone; all by default.
    """
    first = np.setdiff1d(np.arange(len(means)), [reference]) if others is None else others
    second = np.full(len(first), reference, dtype=np.int64)
    linear = estimate_linear(fit, means[first] - means[second], df_method, boundary)
    return _compare(linear, first, second, len(means), adjustment, level)


def all_pairs(
    fit: MixedFit,
    means: FloatArray,
    adjustment: Adjustment = "tukey",
    df_method: DfMethod = "kenward_roger",
    boundary: Boundary = "drop",
    level: float = 0.95,
) -> Contrasts:
    """Every material less every later one."""
    first, second = np.triu_indices(len(means), 1)
    linear = estimate_linear(fit, means[first] - means[second], df_method, boundary)
    return _compare(linear, first, second, len(means), adjustment, level)


def letters_of(contrasts: Contrasts, mean: FloatArray) -> tuple[str, ...]:
    """Compact letters from all pairs, at the contrasts' own level."""
    different = np.zeros((len(mean), len(mean)), dtype=bool)
    shown = contrasts.p_adjusted < 1 - contrasts.level
    different[contrasts.first[shown], contrasts.second[shown]] = True
    return compact_letters(mean, different | different.T)


def _compare(
    linear: Linear,
    first: IntArray,
    second: IntArray,
    k: int,
    adjustment: Adjustment,
    level: float,
) -> Contrasts:
    t = linear.estimate / linear.standard_error
    p = two_sided(t, linear.df)
    adjusted, margin = _adjust(linear, t, p, k, adjustment, level)
    half = margin * linear.standard_error
    return Contrasts(
        first=first,
        second=second,
        estimate=linear.estimate,
        standard_error=linear.standard_error,
        df=linear.df,
        t=t,
        p=p,
        p_adjusted=adjusted,
        ci_low=linear.estimate - half,
        ci_high=linear.estimate + half,
        adjustment=adjustment,
        level=level,
    )


def _adjust(
    linear: Linear, t: FloatArray, p: FloatArray, k: int, adjustment: Adjustment, level: float
) -> tuple[FloatArray, FloatArray]:
    """Adjusted p-values and the multiplier of the standard error."""
    single = t_distribution.isf((1 - level) / 2, linear.df)
    if len(t) < 2 or adjustment == "none":
        return p, single
    if adjustment == "holm":
        return holm(p), single
    if adjustment == "tukey":
        return tukey(t, linear.df, k), tukey_margin(level, linear.df, k)
    se = linear.standard_error
    correlation = linear.covariance / np.outer(se, se)
    return (
        multivariate_t(t, linear.df, correlation),
        multivariate_t_margin(level, linear.df, correlation),
    )
