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
from scipy.special import log_ndtr

from registry.science.curve_results import (
    CENSORED_LIKELIHOOD,
    CurveFit,
    CurveSet,
    collect,
    describe,
)
from registry.science.curve_search import SearchResult, bounds_of, is_at_boundary, search
from registry.science.curve_shapes import (
    ASYMPTOTIC,
    DOUBLE_EXPONENTIAL,
    FIRST_ORDER,
    LAG_FIRST_ORDER,
    SHAPES,
    WEIBULL,
    Shape,
)
from registry.science.curves import checked_looks, errors_of, fit_curves
from registry.science.types import BoolArray, FloatArray, ScienceError

LOG_SQRT_2PI = 0.5 * math.log(2.0 * math.pi)
HESSIAN_STEP = 1e-5
# Damping of a scoring step, relative to the information.
FIRST_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-3, 1e-9, 1e9
MOST_STEPS = 300
# Gain in log-likelihood below which a step is not worth taking.
NEXT_TO_NOTHING = 1e-11
TINY = 1e-300
# Shares of a bound's range or of the time between two looks.
RIM, NEAR_A_LOOK, EDGE = 1e-12, 1e-9, 0.05


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

    def expansion(self, shape: Shape, theta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Value, slope (p,) and information (p, p), which is never negative.

        A weighed look informs by 1/V + (dV/df)²/(2V²), its expectation; an empty bag by the
        curvature of log Φ at V held, λ(λ + z)/V with λ = φ/Φ.
        """
        f = shape.value(self.t, theta)
        value, in_f = log_likelihood(f, self.m, self.gone, self.limit, self.a, self.b)
        v, dv = self.a + self.b * f**2, 2.0 * self.b * f
        z = (self.limit - f) / np.sqrt(v)
        mills = np.exp(-0.5 * z**2 - LOG_SQRT_2PI - log_ndtr(z))
        weight = np.where(self.gone, mills * (mills + z) / v, 1.0 / v + 0.5 * (dv / v) ** 2)
        slopes = shape.slope(self.t, theta)
        return value, in_f @ slopes, slopes.T @ (np.maximum(weight, 0.0)[:, None] * slopes)


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
    rate = float(search(FIRST_ORDER, t, m).theta[0])
    fits: list[CurveFit] = []
    for shape in shapes:
        if start := plain.fit(shape.name):
            fits.append(_fit(shape, looks, start, _more_starts(shape, rate, fits)))
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


def _fit(shape: Shape, looks: _Looks, plain: CurveFit, more: list[FloatArray]) -> CurveFit:
    """The fit by likelihood, from the one by least squares."""
    low, high = bounds_of(shape, looks.t)
    # Between two looks the likelihood is smooth in the lag; at a look it has a kink.
    results = [
        _climb(shape, looks, begin, lo, hi)
        for begin, lo, hi in _regions(shape, looks.t, np.array(plain.parameters), more, low, high)
    ]
    log_l, theta, converged = max(results, key=lambda result: result[0])
    f = shape.value(looks.t, theta)
    weights = np.where(looks.gone, 0.0, 1.0 / (looks.a + looks.b * f**2))
    found = SearchResult(
        theta=theta,
        rss=float((weights * (looks.m - f) ** 2).sum()),
        converged=converged,
        at_boundary=is_at_boundary(shape, theta, low, high),
        n_evaluations=plain.n_evaluations + len(results),
    )
    errors = _standard_errors(shape, looks, found)
    return describe(shape, looks.t, found, log_l, errors, CENSORED_LIKELIHOOD)


def _more_starts(shape: Shape, rate: float, fits: list[CurveFit]) -> list[FloatArray]:
    """Where the simpler shapes lie that this one contains; least squares may be in another corner.

    `rate` of a single pool; `fits` those found so far, in the order of the shapes.
    """
    if shape is WEIBULL:
        return [np.array([1.0 / rate, 1.0])]
    if shape is ASYMPTOTIC:
        return [np.array([rate, EDGE])]
    if shape is not DOUBLE_EXPONENTIAL:
        return []
    resting = [fit.parameters for fit in fits if fit.shape == ASYMPTOTIC.name]
    return [
        np.array([rate, 0.5 * rate, EDGE]),
        np.array([2.0 * rate, rate, 1.0 - EDGE]),
        *(np.array([fast, 0.0, plateau]) for fast, plateau in resting),
    ]


def _regions(
    shape: Shape,
    t: FloatArray,
    theta: FloatArray,
    more: list[FloatArray],
    low: FloatArray,
    high: FloatArray,
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Start and bounds of every smooth region: one per start, or per pair of neighbouring looks."""
    if shape is not LAG_FIRST_ORDER:
        starts = [theta, *more]
        return [(np.clip(start, low, high), low, high) for start in starts]
    days = np.unique(np.concatenate([[0.0], t]))
    regions = []
    for left, right in zip(days[:-1], days[1:], strict=True):
        # Short of the next look, whose own slope in the lag is then the region's.
        width = (1.0 - NEAR_A_LOOK) * (right - left)
        lo, hi = np.array([low[0], left]), np.array([high[0], left + width])
        lag = min(max(theta[1], left + EDGE * width), left + (1.0 - EDGE) * width)
        regions.append((np.array([np.clip(theta[0], low[0], high[0]), lag]), lo, hi))
    return regions


def _climb(
    shape: Shape, looks: _Looks, start: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[float, FloatArray, bool]:
    """Damped scoring steps within the bounds until a step would gain next to nothing.

    The damping grows with each step that does not climb and is scaled by the information, so that
    units do not matter (Marquardt 1963, J. Soc. Indust. Appl. Math. 11, 431-441).
    """
    theta, damping, rim = start.copy(), FIRST_DAMPING, RIM * (high - low)
    value, slope, information = looks.expansion(shape, theta)
    for _ in range(MOST_STEPS):
        pushed_out = ((theta <= low + rim) & (slope < 0)) | ((theta >= high - rim) & (slope > 0))
        step = _step(slope, information, damping, ~pushed_out)
        if 0.5 * float(slope @ step) < NEXT_TO_NOTHING and damping <= FIRST_DAMPING:
            return value, theta, True
        trial = np.clip(theta + step, low, high)
        found = looks.expansion(shape, trial)
        if found[0] > value:
            theta, (value, slope, information) = trial, found
            damping = max(damping * 0.2, LEAST_DAMPING)
        elif damping > MOST_DAMPING:
            # No step however short climbs: the top to within rounding.
            return value, theta, True
        else:
            damping *= 5.0
    return value, theta, False


def _step(
    slope: FloatArray, information: FloatArray, damping: float, free: BoolArray
) -> FloatArray:
    """(I + λ·diag I)⁻¹ slope over the free parameters, (p,); 0 for the others."""
    step = np.zeros(slope.size)
    if free.any():
        held = information[np.ix_(free, free)]
        scale = np.maximum(np.diag(held), TINY)
        step[free] = np.linalg.solve(held + damping * np.diag(scale), slope[free])
    return step


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
    return errors_of(0.5 * (information + information.T))
