"""Decay curves by likelihood: empty bags are censored, and scatter grows with the mass left.

    mᵢ = f + ε,  f = M(tᵢ; θ),  Var ε = V = a + b·f²
    weighed          −½·log(2πV) − (m − f)²/(2V)
    nothing left     log Φ((LOD − f)/√V)

a and b come from all piles together (one pile has too few bags to tell them), yet σ is counted in
the AICc here as in `curves`, so both methods charge the same for a parameter.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import log_ndtr

from registry.science.curve_results import (
    CENSORED_LIKELIHOOD,
    CurveFit,
    CurveSet,
    collect,
    describe,
)
from registry.science.curve_search import SearchResult, bounds_of, is_at_boundary, search
from registry.science.curve_shapes import LAG_FIRST_ORDER, SHAPES, Shape
from registry.science.curves import checked_looks, fit_curves, too_few_for
from registry.science.types import BoolArray, FloatArray, ScienceError

LOG_SQRT_2PI = 0.5 * math.log(2.0 * math.pi)
HESSIAN_STEP = 1e-5


@dataclass(frozen=True, slots=True)
class _Looks:
    """t, m, gone (n,); the detection limit; a and b of the residual variance."""

    t: FloatArray
    m: FloatArray
    gone: BoolArray
    limit: float
    a: float
    b: float

    def log_likelihood(self, shape: Shape, theta: FloatArray) -> tuple[float, FloatArray]:
        """Value, and slope in θ (p,)."""
        f = shape.value(self.t, theta)
        value, in_f = log_likelihood(f, self.m, self.gone, self.limit, self.a, self.b)
        return value, in_f @ shape.slope(self.t, theta)


def fit_censored_curves(
    day: FloatArray,
    remaining: FloatArray,
    nothing_left: BoolArray,
    detection_limit: float,
    variance: tuple[float, float],
    shapes: tuple[Shape, ...] = SHAPES,
) -> CurveSet:
    """Fit the shapes to one pile and material by the likelihood above.

    `day`, `remaining`, `nothing_left` (n,) as in `curves.fit_curves`; `variance` is (a, b), with
    a > 0 and b >= 0. What can only be bounded, or not be fitted at all, is answered as there.
    """
    a, b = variance
    if not (math.isfinite(a) and math.isfinite(b) and a > 0 and b >= 0):
        raise ScienceError("The residual variance needs a > 0 and b >= 0.")
    plain = fit_curves(day, remaining, nothing_left, detection_limit, shapes)
    if not plain.fits:
        return plain
    t, m, gone = checked_looks(day, remaining, nothing_left, detection_limit)
    refused = list(plain.refused)
    looks = _Looks(t, m, gone, detection_limit, a, b)
    fits = [_fit(shape, looks) for shape in shapes if not too_few_for(shape, t)]
    return collect(fits, refused, plain.bound, plain.warnings)


def log_likelihood(
    f: FloatArray, m: FloatArray, gone: BoolArray, limit: float, a: float, b: float
) -> tuple[float, FloatArray]:
    """Log-likelihood and its slope in f; all arrays (n,)."""
    v, dv = a + b * f**2, 2.0 * b * f
    r = m - f
    weighed = -0.5 * np.log(v) - LOG_SQRT_2PI - r**2 / (2.0 * v)
    d_weighed = -0.5 * dv / v + r / v + 0.5 * r**2 * dv / v**2
    z = (limit - f) / np.sqrt(v)
    log_cdf = log_ndtr(z)
    # φ/Φ from logs, so that it stays finite where both vanish.
    mills = np.exp(-0.5 * z**2 - LOG_SQRT_2PI - log_cdf)
    d_gone = mills * (-1.0 / np.sqrt(v) - 0.5 * (limit - f) * dv / v**1.5)
    return (
        float(np.where(gone, log_cdf, weighed).sum()),
        np.where(gone, d_gone, d_weighed),
    )


def _fit(shape: Shape, looks: _Looks) -> CurveFit:
    start = search(shape, looks.t, looks.m)
    low, high = bounds_of(shape, looks.t)
    # Between two looks the likelihood is smooth in the lag; at a look it has a kink.
    results = [
        _climb(shape, looks, begin, lo, hi)
        for begin, lo, hi in _regions(shape, looks.t, start.theta, low, high)
    ]
    log_l, theta, converged = max(results, key=lambda result: result[0])
    f = shape.value(looks.t, theta)
    weights = np.where(looks.gone, 0.0, 1.0 / (looks.a + looks.b * f**2))
    found = SearchResult(
        theta=theta,
        rss=float((weights * (looks.m - f) ** 2).sum()),
        converged=converged,
        at_boundary=is_at_boundary(shape, theta, low, high),
        n_evaluations=start.n_evaluations + len(results),
    )
    errors = _standard_errors(shape, looks, found)
    return describe(shape, looks.t, found, log_l, errors, CENSORED_LIKELIHOOD)


def _regions(
    shape: Shape, t: FloatArray, theta: FloatArray, low: FloatArray, high: FloatArray
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Start and bounds of every smooth region: one, or one per pair of neighbouring looks."""
    if shape is not LAG_FIRST_ORDER:
        return [(np.clip(theta, low, high), low, high)]
    days = np.unique(np.concatenate([[0.0], t]))
    regions = []
    for left, right in zip(days[:-1], days[1:], strict=True):
        lo, hi = np.array([low[0], left]), np.array([high[0], right])
        lag = min(max(theta[1], left), right)
        regions.append((np.array([np.clip(theta[0], low[0], high[0]), lag]), lo, hi))
    return regions


def _climb(
    shape: Shape, looks: _Looks, start: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[float, FloatArray, bool]:
    scale = np.maximum(np.abs(start), 1e-6 * (high - low))

    def descend(x: FloatArray) -> tuple[float, FloatArray]:
        value, slope = looks.log_likelihood(shape, x * scale)
        return -value, -slope * scale

    found = minimize(
        descend,
        start / scale,
        jac=True,
        method="L-BFGS-B",
        bounds=list(zip(low / scale, high / scale, strict=True)),
        options={"maxiter": 500, "ftol": 1e-15, "gtol": 1e-9},
    )
    # "Abnormal" ends of the line search at the limit of floating point are ends all the same.
    return -float(found.fun), found.x * scale, bool(found.success or found.status == 2)


def _standard_errors(shape: Shape, looks: _Looks, found: SearchResult) -> tuple[float | None, ...]:
    """From the observed information: central differences of the exact slope."""
    p = len(shape.names)
    if found.at_boundary:
        return (None,) * p
    information = np.empty((p, p))
    for j in range(p):
        step = np.zeros(p)
        step[j] = HESSIAN_STEP * max(abs(found.theta[j]), 1e-6)
        below = looks.log_likelihood(shape, found.theta - step)[1]
        above = looks.log_likelihood(shape, found.theta + step)[1]
        information[j] = (below - above) / (2 * step[j])
    information = 0.5 * (information + information.T)
    if not np.isfinite(information).all() or np.linalg.eigvalsh(information)[0] <= 0:
        return (None,) * p
    return tuple(np.sqrt(np.diag(np.linalg.inv(information))).tolist())
