"""Decay curves of one pile and material: five shapes fitted side by side, ranked by one AICc.

Model. Bag i, lifted on day tᵢ, has mᵢ of its start mass left: mᵢ = M(tᵢ; θ) + ε with ε ~ N(0, σ²).
θ by least squares. Where a bag holds nothing, the mass is known only to lie below the detection
limit; it enters least squares as zero, which is what the balance said. `censored_curves` has the
likelihood that does not need this.

    RSS = Σ (mᵢ − M(tᵢ))²,   log L = −n/2·(log(2π·RSS/n) + 1)
    AICc = −2·log L + 2K + 2K(K + 1)/(n − K − 1),   K = p + 1

One convention throughout: every curve parameter and σ are counted, for every shape. Published
tables differ (some leave out σ, some the correction), so values compare only within one table.
Hurvich and Tsai 1989, Biometrika 76, 297–307; Burnham and Anderson 2002, chapter 2 (from memory).

Nothing is made up where the data are silent: a shape with too few looks is refused with a reason, a
material that was gone at the first look gets a bound on its rate, one that does not lose mass
likewise, and a time beyond the last look says that it is extrapolated.
"""

import math

import numpy as np
from scipy import stats

from registry.science.curve_results import (
    LEAST_SQUARES,
    CurveFit,
    CurveSet,
    RateBound,
    collect,
    describe,
)
from registry.science.curve_search import SearchResult, search
from registry.science.curve_shapes import FIRST_ORDER, SHAPES, Shape
from registry.science.types import BoolArray, FloatArray, ScienceError, Warning_

LEVEL = 0.95
# No balance tells residues apart to 1e-8 of the start mass; keeps a perfect fit finite.
LEAST_VARIANCE = 1e-16
TINY = 1e-300
# Two parameters that move the curve alike to a millionth cannot be told apart.
SINGULAR_BELOW = 1e-12


def fit_curves(
    day: FloatArray,
    remaining: FloatArray,
    nothing_left: BoolArray | None = None,
    detection_limit: float = 0.02,
    shapes: tuple[Shape, ...] = SHAPES,
) -> CurveSet:
    """Fit the shapes to the looks of one pile and material.

    Parameters
    ----------
    day : (n,) elapsed time of each look, >= 0.
    remaining : (n,) fraction left; ignored where `nothing_left`.
    nothing_left : (n,) bags that held nothing.
    detection_limit : fraction below which residue cannot be told from none, for bounds.

    Raises ScienceError for arrays of different lengths or numbers that are not finite.
    """
    t, m, gone = checked_looks(day, remaining, nothing_left, detection_limit)
    if t.size == 0 or not (t > 0).any():
        return _silent("no_look", "No bag has been lifted yet.")
    if gone[t > 0].all():
        return _all_gone(t, detection_limit)
    if np.unique(t[t > 0]).size == 1:
        return _silent("one_day", "All bags were lifted on one day: a rate needs two.")
    rate = search(FIRST_ORDER, t, m)
    if rate.theta[0] <= 0:
        return _no_loss(t, rate)
    fits: list[CurveFit] = []
    refused: list[tuple[str, str]] = []
    for shape in shapes:
        reason = too_few_for(shape, t)
        if reason:
            refused.append((shape.name, reason))
        else:
            fits.append(_fit(shape, t, m))
    return collect(fits, refused, _bound_of_slow(fits))


def checked_looks(
    day: FloatArray, remaining: FloatArray, nothing_left: BoolArray | None, detection_limit: float
) -> tuple[FloatArray, FloatArray, BoolArray]:
    t, m = np.asarray(day, dtype=float), np.asarray(remaining, dtype=float)
    gone = np.zeros(t.size, dtype=bool) if nothing_left is None else np.asarray(nothing_left, bool)
    if t.ndim != 1 or t.shape != m.shape or t.shape != gone.shape:
        raise ScienceError("Days, fractions and outcomes must be lists of one length.")
    if not 0 < detection_limit < 1:
        raise ScienceError("A detection limit is a fraction between 0 and 1.")
    gone = gone | (m == 0)
    m = np.where(gone, 0.0, m)
    if not (np.isfinite(t).all() and np.isfinite(m).all()):
        raise ScienceError("A curve needs finite days and fractions; leave missing bags out.")
    if (t < 0).any():
        raise ScienceError("A bag cannot be lifted before it was buried.")
    return t, m, gone


def _fit(shape: Shape, t: FloatArray, m: FloatArray) -> CurveFit:
    found = search(shape, t, m)
    variance = max(found.rss / t.size, LEAST_VARIANCE)
    log_l = -0.5 * t.size * (math.log(2 * math.pi * variance) + 1)
    return describe(shape, t, found, log_l, _standard_errors(shape, t, found), LEAST_SQUARES)


def _standard_errors(shape: Shape, t: FloatArray, found: SearchResult) -> tuple[float | None, ...]:
    """√diag(s²(JᵀJ)⁻¹), s² = RSS/(n − p)."""
    n, p = t.size, len(shape.names)
    slope = shape.slope(t, found.theta)
    if n <= p or found.at_boundary:
        return (None,) * p
    return errors_of(slope.T @ slope * (n - p) / max(found.rss, TINY))


def errors_of(information: FloatArray) -> tuple[float | None, ...]:
    """√diag of the inverse of an information matrix (p, p); None for all where it is singular.

    Judged on the scale of correlations, since rates and scales differ by orders of magnitude.
    """
    nothing: tuple[float | None, ...] = (None,) * len(information)
    if not np.isfinite(information).all() or (np.diag(information) <= 0).any():
        return nothing
    unit = np.sqrt(np.diag(information))
    values, vectors = np.linalg.eigh(information / np.outer(unit, unit))
    if values[0] < SINGULAR_BELOW:
        return nothing
    return tuple((np.sqrt((vectors**2 / values).sum(axis=1)) / unit).tolist())


def too_few_for(shape: Shape, t: FloatArray) -> str:
    """Why a shape must be refused, or nothing. A day counts once, however many bags it has."""
    days, p = np.unique(t[t > 0]).size, len(shape.names)
    if days < p:
        return f"{p} parameters cannot be told from looks on {days} days."
    if t.size <= p:
        return f"{t.size} looks are too few for {p} parameters and the scatter."
    return ""


def _silent(code: str, sentence: str) -> CurveSet:
    refused = tuple((shape.name, sentence) for shape in SHAPES)
    return CurveSet((), refused, None, None, (Warning_(code, sentence),))


def _all_gone(t: FloatArray, detection_limit: float) -> CurveSet:
    """All bags empty: without a lag the rate is at least −log(limit)/t₁."""
    first = float(t[t > 0].min())
    sentence = (
        f"Nothing was left at the first look on day {first:g}: only a lower bound of the rate "
        "is known."
    )
    bound = RateBound(-math.log(detection_limit) / first, None, sentence)
    refused = tuple((shape.name, sentence) for shape in SHAPES)
    return CurveSet((), refused, None, bound, (Warning_("all_gone_at_first_look", sentence),))


def _no_loss(t: FloatArray, rate: SearchResult) -> CurveSet:
    sentence = "No mass was lost over time, so there is no decay rate above zero."
    bound = RateBound(None, _upper_rate(t, rate), sentence)
    refused = tuple((shape.name, sentence) for shape in SHAPES)
    return CurveSet((), refused, None, bound, (Warning_("rate_not_positive", sentence),))


def _bound_of_slow(fits: list[CurveFit]) -> RateBound | None:
    """A rate whose interval reaches zero is better said as an upper bound."""
    single = next((fit for fit in fits if fit.shape == FIRST_ORDER.name), None)
    if single is None or single.standard_errors[0] is None:
        return None
    reach = stats.t.ppf(0.5 + LEVEL / 2, single.n - 1) * single.standard_errors[0]
    if single.parameters[0] > reach:
        return None
    return RateBound(
        None,
        single.parameters[0] + float(reach),
        "The loss is within its scatter: only an upper bound of the rate is known.",
    )


def _upper_rate(t: FloatArray, rate: SearchResult) -> float | None:
    """Upper end of the interval of a first-order rate that came out at or below zero."""
    n = t.size
    slope = FIRST_ORDER.slope(t, rate.theta)[:, 0]
    if n < 2 or not (slope @ slope > 0):
        return None
    error = math.sqrt(rate.rss / (n - 1) / float(slope @ slope))
    return max(0.0, float(rate.theta[0] + stats.t.ppf(0.5 + LEVEL / 2, n - 1) * error))
