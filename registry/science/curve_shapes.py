"""Five shapes of decay, each with M(0) = 1, and what follows from their parameters.

    first_order         M = exp(−k·t)
    lag_first_order     M = exp(−k·max(0, t − L))
    weibull             M = exp(−(t/β)^α)                   β the scale, α the shape
    asymptotic          M = A + (1 − A)·exp(−k·t)           A never leaves
    double_exponential  M = A·exp(−s·t) + (1 − A)·exp(−k·t)  slow share A, s ≤ k

t in days (or any one unit), rates per that unit. Forms as in Cornwell and Weedon 2014, Methods in
Ecology and Evolution 5, 193–197 (from memory), and the published fits CV-071 to CV-081.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from registry.science.types import FloatArray

TENTH = 0.1
# A pool that needs 2^60 times longer than the fast one is at rest.
MAX_DOUBLINGS = 60


@dataclass(frozen=True, slots=True)
class Shape:
    """A shape by name. `value(t, θ)` gives M (n,) for parameters θ (p,) in the order of `names`."""

    name: str
    names: tuple[str, ...]
    value: Callable[[FloatArray, FloatArray], FloatArray]
    slope: Callable[[FloatArray, FloatArray], FloatArray]  # (n, p) ∂M/∂θ


def _first_order(t: FloatArray, theta: FloatArray) -> FloatArray:
    return np.exp(-theta[0] * t)


def _first_order_slope(t: FloatArray, theta: FloatArray) -> FloatArray:
    return (-t * np.exp(-theta[0] * t))[:, None]


def _lag(t: FloatArray, theta: FloatArray) -> FloatArray:
    k, lag = theta
    return np.exp(-k * np.maximum(0.0, t - lag))


def _lag_slope(t: FloatArray, theta: FloatArray) -> FloatArray:
    k, lag = theta
    elapsed = np.maximum(0.0, t - lag)
    m = np.exp(-k * elapsed)
    return np.column_stack([-elapsed * m, np.where(t > lag, k * m, 0.0)])


def _weibull(t: FloatArray, theta: FloatArray) -> FloatArray:
    scale, shape = theta
    return np.exp(-((t / scale) ** shape))


def _weibull_slope(t: FloatArray, theta: FloatArray) -> FloatArray:
    scale, shape = theta
    ratio = t / scale
    power = ratio**shape
    m = np.exp(-power)
    log_ratio = np.log(np.where(ratio > 0, ratio, 1.0))
    return np.column_stack([m * power * shape / scale, -m * power * log_ratio])


def _asymptotic(t: FloatArray, theta: FloatArray) -> FloatArray:
    k, plateau = theta
    return plateau + (1.0 - plateau) * np.exp(-k * t)


def _asymptotic_slope(t: FloatArray, theta: FloatArray) -> FloatArray:
    k, plateau = theta
    m = np.exp(-k * t)
    return np.column_stack([-(1.0 - plateau) * t * m, 1.0 - m])


def _double(t: FloatArray, theta: FloatArray) -> FloatArray:
    fast, slow, share = theta
    return share * np.exp(-slow * t) + (1.0 - share) * np.exp(-fast * t)


def _double_slope(t: FloatArray, theta: FloatArray) -> FloatArray:
    fast, slow, share = theta
    m_fast, m_slow = np.exp(-fast * t), np.exp(-slow * t)
    return np.column_stack([-(1.0 - share) * t * m_fast, -share * t * m_slow, m_slow - m_fast])


FIRST_ORDER = Shape("first_order", ("k",), _first_order, _first_order_slope)
LAG_FIRST_ORDER = Shape("lag_first_order", ("k", "lag"), _lag, _lag_slope)
WEIBULL = Shape("weibull", ("scale", "shape"), _weibull, _weibull_slope)
ASYMPTOTIC = Shape("asymptotic", ("k", "plateau"), _asymptotic, _asymptotic_slope)
DOUBLE_EXPONENTIAL = Shape(
    "double_exponential", ("k_fast", "k_slow", "slow_share"), _double, _double_slope
)
SHAPES = (FIRST_ORDER, LAG_FIRST_ORDER, WEIBULL, ASYMPTOTIC, DOUBLE_EXPONENTIAL)


def plateau_of(shape: Shape, theta: FloatArray) -> float:
    """What never leaves, fraction; 0 for the shapes that go to nothing."""
    return float(theta[1]) if shape is ASYMPTOTIC else 0.0


def days_to(shape: Shape, theta: FloatArray, left: float) -> float | None:
    """Time at which M = `left`; None when the shape never comes so low."""
    if shape is FIRST_ORDER or shape is LAG_FIRST_ORDER:
        lag = float(theta[1]) if shape is LAG_FIRST_ORDER else 0.0
        return lag - math.log(left) / float(theta[0]) if theta[0] > 0 else None
    if shape is WEIBULL:
        return _finite(float(theta[0]) * (-math.log(left)) ** (1.0 / float(theta[1])))
    if shape is ASYMPTOTIC:
        k, plateau = float(theta[0]), float(theta[1])
        if plateau >= left or k <= 0:
            return None
        return math.log((1.0 - plateau) / (left - plateau)) / k
    return _double_days_to(theta, left)


def mean_residence(shape: Shape, theta: FloatArray) -> float | None:
    """∫ M dt, the mean time a unit of mass stays; None when it has no end."""
    if shape is FIRST_ORDER:
        return 1.0 / float(theta[0]) if theta[0] > 0 else None
    if shape is LAG_FIRST_ORDER:
        return float(theta[1]) + 1.0 / float(theta[0]) if theta[0] > 0 else None
    if shape is WEIBULL:
        return _finite(float(theta[0]) * math.gamma(1.0 + 1.0 / float(theta[1])))
    if shape is ASYMPTOTIC:
        return None if theta[1] > 0 or theta[0] <= 0 else 1.0 / float(theta[0])
    fast, slow, share = (float(x) for x in theta)
    if slow <= 0 and share > 0:
        return None
    return (share / slow if share > 0 else 0.0) + (1.0 - share) / fast


def _double_days_to(theta: FloatArray, left: float) -> float | None:
    fast, slow, share = (float(x) for x in theta)
    if share >= left and slow <= 0:
        return None
    if fast <= 0:
        return None

    def above(t: float) -> float:
        return share * math.exp(-slow * t) + (1.0 - share) * math.exp(-fast * t) - left

    # A slow pool may be slower by many orders of magnitude, so the end is found by doubling.
    end = 1.0 / fast
    for _ in range(MAX_DOUBLINGS):
        if above(end) <= 0:
            return float(brentq(above, 0.0, end, xtol=1e-12 * end))
        end *= 2.0
    return None


def _finite(x: float) -> float | None:
    return x if math.isfinite(x) else None
