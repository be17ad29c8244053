"""Least squares of a decay curve: a coarse grid finds the valley, a trust region its floor.

Each shape's sum of squares may have several valleys, so a grid over plausible parameters is
evaluated in one sweep and the best few points are refined, within bounds, with exact slopes.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from registry.science.curve_shapes import (
    ASYMPTOTIC,
    DOUBLE_EXPONENTIAL,
    FIRST_ORDER,
    LAG_FIRST_ORDER,
    WEIBULL,
    Shape,
)
from registry.science.types import FloatArray

# Starts that are refined: the best of a fine grid, and one more in case of a second valley.
N_STARTS = 2
# In units of 1/longest and 1/shortest time: slower cannot be told from 0, faster not from infinity.
SLOWEST, FASTEST = 1e-4, 40.0
WEIBULL_SHAPES = np.array([0.15, 0.25, 0.4, 0.6, 0.8, 1.0, 1.4, 2.0, 3.0, 5.0])
WEIBULL_SHAPE_BOUNDS = (0.05, 20.0)
SHARES = np.linspace(0.02, 0.98, 13)
LAG_SHARES = np.array([0.05, 0.35, 0.65, 0.95])  # of the way from one look to the next
TOLERANCE = 1e-15
NEAR_BOUND = 1e-6


@dataclass(frozen=True, slots=True)
class SearchResult:
    """θ (p,) at the least sum of squares found, and how the search went."""

    theta: FloatArray
    rss: float
    converged: bool
    at_boundary: bool
    n_evaluations: int


def search(shape: Shape, t: FloatArray, m: FloatArray) -> SearchResult:
    """Least squares of `shape` to m (n,) at t (n,); t holds at least one positive time."""
    if shape is FIRST_ORDER:
        return _first_order(t, m)
    low, high = bounds_of(shape, t)
    starts = _starts(shape, t, m)
    if shape is LAG_FIRST_ORDER:
        return _best([_lag_between(t, m, start, low, high) for start in starts])
    return _best([_refine(shape, t, m, start, low, high) for start in starts])


def _refine(
    shape: Shape,
    t: FloatArray,
    m: FloatArray,
    start: FloatArray,
    low: FloatArray,
    high: FloatArray,
) -> SearchResult:
    # Rates and scales differ by orders of magnitude: the trust region is scaled by the bounds.
    found = least_squares(
        lambda theta: shape.value(t, theta) - m,
        np.clip(start, low + 1e-9 * (high - low), high - 1e-9 * (high - low)),
        jac=lambda theta: shape.slope(t, theta),
        bounds=(low, high),
        x_scale=np.maximum(np.abs(start), 1e-3),
        ftol=TOLERANCE,
        xtol=TOLERANCE,
        gtol=TOLERANCE,
        max_nfev=300,
    )
    theta = _ordered(shape, found.x)
    return SearchResult(
        theta=theta,
        rss=float(2.0 * found.cost),
        converged=bool(found.status > 0),
        at_boundary=is_at_boundary(shape, theta, low, high),
        n_evaluations=int(found.nfev),
    )


def _first_order(t: FloatArray, m: FloatArray) -> SearchResult:
    """One rate, which may come out negative: the caller says what that means."""
    longest = float(t.max())
    grid = np.concatenate([-np.geomspace(0.01, 3, 12)[::-1], [0.0], np.geomspace(0.01, 200, 60)])
    rates = grid / longest
    rss = ((np.exp(-np.outer(rates, t)) - m) ** 2).sum(axis=1)
    start = rates[int(np.argmin(rss))]
    found = least_squares(
        lambda theta: FIRST_ORDER.value(t, theta) - m,
        [start],
        jac=lambda theta: FIRST_ORDER.slope(t, theta),
        method="lm",
        x_scale=[1.0 / longest],
        ftol=TOLERANCE,
        xtol=TOLERANCE,
        gtol=TOLERANCE,
    )
    return SearchResult(
        found.x, float(2 * found.cost), bool(found.status > 0), False, int(found.nfev)
    )


def _lag_between(
    t: FloatArray, m: FloatArray, start: FloatArray, low: FloatArray, high: FloatArray
) -> SearchResult:
    """The sum of squares has a kink in L at every day of a look: refine between two of them."""
    days = np.unique(np.concatenate([[0.0], t]))
    right = int(np.clip(np.searchsorted(days, start[1], side="right"), 1, days.size - 1))
    low, high = low.copy(), high.copy()
    low[1], high[1] = max(low[1], days[right - 1]), min(high[1], days[right])
    if high[1] <= low[1]:
        high[1] = low[1] + NEAR_BOUND * float(t.max())
    found = _refine(LAG_FIRST_ORDER, t, m, start, low, high)
    lag = found.theta[1]
    # A kink between two days is an ordinary place for the lag; only no lag at all is a boundary.
    at_zero = lag <= NEAR_BOUND * float(t.max())
    return SearchResult(
        np.array([found.theta[0], 0.0 if at_zero else lag]),
        found.rss,
        found.converged,
        bool(at_zero or found.theta[0] >= high[0] * (1 - NEAR_BOUND)),
        found.n_evaluations,
    )


def bounds_of(shape: Shape, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    longest, shortest = float(t.max()), float(t[t > 0].min())
    slow, fast = SLOWEST / longest, FASTEST / shortest
    bounds = {
        FIRST_ORDER.name: ([slow], [fast]),
        LAG_FIRST_ORDER.name: ([slow, 0.0], [fast, longest]),
        WEIBULL.name: (
            [shortest * 1e-3, WEIBULL_SHAPE_BOUNDS[0]],
            [longest * 1e4, WEIBULL_SHAPE_BOUNDS[1]],
        ),
        ASYMPTOTIC.name: ([slow, 0.0], [fast, 1.0]),
        DOUBLE_EXPONENTIAL.name: ([slow, 0.0, 0.0], [fast, fast, 1.0]),
    }
    low, high = bounds[shape.name]
    return np.array(low), np.array(high)


def _starts(shape: Shape, t: FloatArray, m: FloatArray) -> list[FloatArray]:
    """The best points of a grid over the shape's parameters, far enough apart to differ."""
    grid = _grid(shape, t)
    # (p, n_grid, 1) against (n,): every point of the grid in one sweep.
    rss = ((shape.value(t, grid.T[:, :, None]) - m) ** 2).sum(axis=1)
    if shape is LAG_FIRST_ORDER:
        return _best_per_interval(grid, rss, t)
    starts = [grid[i] for i in np.argsort(rss, kind="stable")[:N_STARTS]]
    if shape is DOUBLE_EXPONENTIAL:
        # Its valley runs along the curve with a plateau (a slow pool at rest): start there too.
        fast, plateau = search(ASYMPTOTIC, t, m).theta
        starts.append(np.array([fast, 0.0, plateau]))
    return starts


def _best_per_interval(grid: FloatArray, rss: FloatArray, t: FloatArray) -> list[FloatArray]:
    days = np.unique(np.concatenate([[0.0], t]))
    interval = np.searchsorted(days, grid[:, 1], side="right")
    best = [np.flatnonzero(interval == i)[np.argmin(rss[interval == i])] for i in set(interval)]
    best.sort(key=lambda i: rss[i])
    return [grid[i] for i in best[:N_STARTS]]


def _grid(shape: Shape, t: FloatArray) -> FloatArray:
    longest, shortest = float(t.max()), float(t[t > 0].min())
    rates = np.geomspace(0.02 / longest, 8.0 / shortest, 24)
    if shape is LAG_FIRST_ORDER:
        days = np.unique(np.concatenate([[0.0], t]))
        inside = days[:-1, None] + np.diff(days)[:, None] * LAG_SHARES
        return _pairs(rates, inside.ravel())
    if shape is WEIBULL:
        scales = np.geomspace(0.05 * shortest, 100.0 * longest, 30)
        return _pairs(scales, WEIBULL_SHAPES)
    if shape is ASYMPTOTIC:
        return _pairs(rates, SHARES)
    fast, slow = np.meshgrid(rates[::2], np.concatenate([[0.0], rates[:-4:2]]), indexing="ij")
    keep = slow < fast
    pairs = np.column_stack([fast[keep], slow[keep]])
    return np.column_stack([np.repeat(pairs, SHARES.size, axis=0), np.tile(SHARES, len(pairs))])


def _pairs(first: FloatArray, second: FloatArray) -> FloatArray:
    return np.column_stack([np.repeat(first, second.size), np.tile(second, first.size)])


def _ordered(shape: Shape, theta: FloatArray) -> FloatArray:
    """The two pools of a double exponential have no order of their own: fast first."""
    if shape is DOUBLE_EXPONENTIAL and theta[1] > theta[0]:
        return np.array([theta[1], theta[0], 1.0 - theta[2]])
    return theta


def is_at_boundary(shape: Shape, theta: FloatArray, low: FloatArray, high: FloatArray) -> bool:
    reach = NEAR_BOUND * np.minimum(high - low, np.maximum(np.abs(theta), 1e-3))
    return bool(((theta - low < reach) | (high - theta < reach)).any())


def _best(results: list[SearchResult]) -> SearchResult:
    total = sum(result.n_evaluations for result in results)
    best = min(results, key=lambda result: result.rss)
    return SearchResult(best.theta, best.rss, best.converged, best.at_boundary, total)
