"""The studentized range: largest difference of k normal means over an independent s.

    P(Q > q; k, ν) = ∫ f_ν(s) S(q s) ds
    S(w) = k ∫ φ(z) {Φ(z)^(k−1) − [Φ(z) − Φ(z − w)]^(k−1)} dz

S is the upper tail of the range of k standard normals, written so that small tails keep their
digits. It depends on w alone, so it is tabled once per k and interpolated on the log scale; the
integral over s = χ_ν/√ν is Gauss–Legendre in log s. Copenhaver & Holland (1988), J. Stat. Comput.
Simul. 30, 1-15, give the double integral.
"""

from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import gammainccinv, gammaincinv, gammaln, ndtr

from registry.science.types import FloatArray

# Ranges of normals beyond 60 have a tail below 1e-390: zero in double precision.
LARGEST_RANGE = 60.0
RANGE_KNOTS = 3001
RANGE_NODES = 160
SCALE_NODES = 160
# Mass of χ²_ν left out at each end of the integral over s.
OMITTED = 1e-15
# Above this many degrees of freedom the tail no longer changes in six digits, and the density of s
# loses digits faster than it gains any.
INFINITE_DF = 1e6
# Below half a degree of freedom the lower end of s underflows, and no difference is ever shown.
LEAST_DF = 0.5
# Relative error of the tail at which a quantile is good; the secant takes about ten steps.
QUANTILE_TOLERANCE = 1e-11
MAX_SECANTS = 60


def studentized_range_tail(q: FloatArray, k: int, df: FloatArray) -> FloatArray:
    """P(Q > q) for each q >= 0 with its own degrees of freedom, shape (m,); `k` >= 2 means."""
    return _tail(np.asarray(q, dtype=float), k, _scale_rule(np.asarray(df, dtype=float)))


def studentized_range_quantile(p: float, k: int, df: FloatArray) -> FloatArray:
    """q with P(Q > q) = 1 − p, for each df (m,), by the Illinois secant on the log of the tail."""
    df = np.asarray(df, dtype=float)
    rule = _scale_rule(df)

    def excess(q: FloatArray) -> FloatArray:
        return np.log(np.maximum(_tail(q, k, rule), np.finfo(float).tiny)) - np.log1p(-p)

    low, high = np.zeros(df.shape), np.full(df.shape, 8.0)
    while np.any(excess(high) > 0):
        high = np.where(excess(high) > 0, 2 * high, high)
    f_low, f_high = excess(low), excess(high)
    for _ in range(MAX_SECANTS):
        q = (low * f_high - high * f_low) / (f_high - f_low)
        f = excess(q)
        if np.all(np.abs(f) < QUANTILE_TOLERANCE):
            break
        above = f > 0
        # Halving the value at the end that stays keeps that end from sticking (Dowell & Jarratt).
        f_high = np.where(above, f_high / 2, f)
        f_low = np.where(above, f, f_low / 2)
        low, high = np.where(above, q, low), np.where(above, high, q)
    return q


def _tail(q: FloatArray, k: int, rule: tuple[FloatArray, FloatArray]) -> FloatArray:
    s, weight = rule
    return np.clip((weight * _range_tail(q[:, None] * s, k)).sum(axis=1), 0.0, 1.0)


def _scale_rule(df: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(m, SCALE_NODES) values of s and weights that integrate against its density, per df."""
    half = np.clip(df, LEAST_DF, INFINITE_DF)[:, None] / 2
    low = 0.5 * np.log(gammaincinv(half, OMITTED) / half)
    high = 0.5 * np.log(gammainccinv(half, OMITTED) / half)
    node, weight = _legendre(SCALE_NODES)
    log_s = low + (high - low) * (node + 1) / 2
    # Density of log s: 2 (ν/2)^(ν/2) / Γ(ν/2) · exp(ν log s − ν s²/2), ν log s being kept together
    # with ν/2 log(ν/2) because each alone is large.
    log_density = np.log(2) + half * (np.log(half) + 2 * log_s - np.exp(2 * log_s)) - gammaln(half)
    return np.exp(log_s), weight * (high - low) / 2 * np.exp(log_density)


@lru_cache(maxsize=4)
def _legendre(nodes: int) -> tuple[FloatArray, FloatArray]:
    return np.polynomial.legendre.leggauss(nodes)


def _range_tail(w: FloatArray, k: int) -> FloatArray:
    return np.where(w < LARGEST_RANGE, np.exp(_range_spline(k)(np.minimum(w, LARGEST_RANGE))), 0.0)


@lru_cache(maxsize=64)
def _range_spline(k: int) -> CubicSpline:
    """log S(w) on [0, LARGEST_RANGE]."""
    w = np.linspace(0.0, LARGEST_RANGE, RANGE_KNOTS)
    node, weight = _legendre(RANGE_NODES)
    # The integrand lives where both φ(z) and Φ(z − w) do: around w/2, within 9 of it.
    z = w[:, None] / 2 + 9.0 * node
    below = ndtr(z)
    log_share = np.log1p(-np.minimum(ndtr(z - w[:, None]) / below, 1 - 1e-16))
    lost = -np.expm1((k - 1) * log_share) * below ** (k - 1)
    density = np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    tail = k * 9.0 * (weight * density * lost).sum(axis=1)
    return CubicSpline(w, np.log(np.maximum(tail, 1e-300)))
