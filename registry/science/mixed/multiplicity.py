"""P-values and margins that allow for many comparisons at once.

Tukey      largest difference among k means: the studentized range at |t| √2 (Tukey–Kramer when
           unbalanced; Hayter 1984, Ann. Stat. 12, 61-75, shows it is conservative)
Single step, multivariate t    P(max_j |T_j| > |t_i|) with the contrasts' own correlation
           (Hothorn, Bretz & Westfall 2008, Biom. J. 50, 346-363)
Holm       step-down Bonferroni (Holm 1979, Scand. J. Stat. 6, 65-70)

The multivariate t is integrated on a Richtmyer lattice: no random numbers, so the same data give
the same digits. Given the largest |Z_j| of a lattice point, the chance over s is exact.
"""

from typing import Literal

import numpy as np
from scipy.special import chdtr, ndtri
from scipy.stats import t as t_distribution

from registry.science.mixed.studentized_range import (
    studentized_range_quantile,
    studentized_range_tail,
)
from registry.science.types import FloatArray

Adjustment = Literal["tukey", "multivariate_t", "holm", "none"]

# Error of a p-value near 0.05 at this size is about 1e-4, below what anybody acts on.
LATTICE_POINTS = 20_000
LATTICE_CHUNK = 2_000
# The largest |Z| is one-dimensional, so its sorted lattice values are summed up by bins.
BINS = 500
PRIMES_BELOW = 4000


def two_sided(t: FloatArray, df: FloatArray) -> FloatArray:
    """Unadjusted p-values."""
    return 2 * t_distribution.sf(np.abs(t), df)


def holm(p: FloatArray) -> FloatArray:
    """Holm's step-down adjustment."""
    order = np.argsort(p)
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def tukey(t: FloatArray, df: FloatArray, k: int) -> FloatArray:
    """p-values of pairwise differences among `k` means."""
    return studentized_range_tail(np.abs(t) * np.sqrt(2), k, df)


def tukey_margin(level: float, df: FloatArray, k: int) -> FloatArray:
    """Multiplier of the standard error for simultaneous intervals."""
    return studentized_range_quantile(level, k, df) / np.sqrt(2)


def multivariate_t(t: FloatArray, df: FloatArray, correlation: FloatArray) -> FloatArray:
    """Single-step p-values of contrasts with `correlation` (m, m), each with its own df."""
    return _multivariate_tail(np.abs(t), df, _largest(correlation))


def multivariate_t_margin(level: float, df: FloatArray, correlation: FloatArray) -> FloatArray:
    """Multiplier of the standard error for simultaneous intervals, by bisection."""
    largest = _largest(correlation)
    low = t_distribution.isf((1 - level) / 2, df)
    high = t_distribution.isf((1 - level) / 2 / len(df), df)
    for _ in range(40):
        middle = (low + high) / 2
        above = _multivariate_tail(middle, df, largest) > 1 - level
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return (low + high) / 2


def _multivariate_tail(t: FloatArray, df: FloatArray, largest: FloatArray) -> FloatArray:
    """P(M / s > t) for the lattice's M, kept between one test's p and Bonferroni's."""
    tail = np.array(
        [chdtr(v, v * (largest / max(x, 1e-12)) ** 2).mean() for x, v in zip(t, df, strict=True)]
    )
    single = two_sided(t, df)
    return np.clip(tail, single, np.minimum(len(t) * single, 1.0))


def _largest(correlation: FloatArray) -> FloatArray:
    """(BINS,) equally likely values of max_j |Z_j| for Z ~ N(0, correlation), in order."""
    value, vector = np.linalg.eigh(correlation)
    # Largest directions first: the lattice is most even in its first coordinates.
    used = np.flatnonzero(value > 1e-10 * value[-1])[::-1]
    root = vector[:, used] * np.sqrt(value[used])
    prime_root = _prime_roots(len(used))
    largest = np.empty(LATTICE_POINTS)
    for start in range(0, LATTICE_POINTS, LATTICE_CHUNK):
        multiple = np.arange(start, start + LATTICE_CHUNK) + 0.5
        u = np.clip((multiple[:, None] * prime_root) % 1.0, 1e-15, 1 - 1e-15)
        largest[start : start + LATTICE_CHUNK] = np.abs(ndtri(u) @ root.T).max(axis=1)
    return np.sort(largest).reshape(BINS, -1).mean(axis=1)


def _prime_roots(dimensions: int) -> FloatArray:
    """(d,) square roots of the first primes, the generators of the lattice."""
    sieve = np.ones(PRIMES_BELOW, dtype=bool)
    sieve[:2] = False
    for i in range(2, int(PRIMES_BELOW**0.5) + 1):
        sieve[i * i :: i] = False
    return np.sqrt(np.flatnonzero(sieve)[:dimensions])
