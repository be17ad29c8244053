"""The decay rate of every unit at a given lag and residual variance: safeguarded scoring, in batch.

For unit u, θ_u = log k_u solves ∂ℓ_u/∂θ = 0. Each step is score / information; a step that leaves
the bracket of score signs seen so far is replaced by its midpoint, so the iteration cannot cycle.
"""

import numpy as np

from registry.science.cells import Cells, regroup, sum_by
from registry.science.likelihood import theta_score
from registry.science.types import FloatArray

# k·t = 1e-6: less than a millionth lost by the last look is no loss on any balance.
_LEAST_EXPONENT = 1e-6
# k·t = 60 at the first look leaves 1e-26 of the start mass; e³ more for a lag near it.
_MOST_EXPONENT = 60.0 * np.e**3
_LARGEST_STEP = 1.5
_FLAT = 1e-12
_COMMON_STEPS, _MOST_STEPS = 12, 80
# Scoring gains a digit or more a step; after a move this short the next is lost in rounding.
_LAST_MOVE = 1e-11


def rate_bounds(cells: Cells) -> tuple[FloatArray, FloatArray]:
    """Widest believable θ of each unit: (n_units,) low and high."""
    first, last = look_span(cells)
    return np.log(_LEAST_EXPONENT / last), np.log(_MOST_EXPONENT / first)


def look_span(cells: Cells) -> tuple[FloatArray, FloatArray]:
    """First and last look day after day 0 of each unit; 1 where there is none."""
    first, last = cells.day_span
    seen = last > 0
    return np.where(seen, first, 1.0), np.where(seen, last, 1.0)


def first_guess(cells: Cells) -> FloatArray:
    """θ from the average of -log(ȳ)/t, each cell weighted by its bags and by t: (n_units,)."""
    floor = 0.01
    loss = -np.log(np.clip(cells.mean, floor, 1.0)) * cells.count
    c_loss = -np.log(0.5 * cells.c_limit) * cells.c_count
    n = cells.n_units
    lost = sum_by(cells.unit, loss, n)
    lost += sum_by(cells.c_unit, c_loss, n)
    time = sum_by(cells.unit, cells.count * cells.day, n)
    time += sum_by(cells.c_unit, cells.c_count * cells.c_day, n)
    low, high = rate_bounds(cells)
    guess = np.log(np.maximum(lost, 1e-3) / np.maximum(time, 1e-9))
    return np.asarray(np.clip(guess, low, high))


def solve_rates(
    cells: Cells,
    theta: FloatArray,
    lag: FloatArray,
    a: FloatArray,
    b: FloatArray,
    *,
    steps: int,
    tolerance: float = 0.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Iterate θ at fixed lag and variance.

    Parameters
    ----------
    theta, lag, a, b : (n_units,) start, and the fixed rest.
    steps : most steps to take; stops early once every well-determined θ moves less than
        `tolerance`.

    Returns
    -------
    theta : (n_units,) after the last step.
    loglik, information : (n_units,) at the θ *before* the last step, which is `theta` at
        convergence.
    """
    low, high = rate_bounds(cells)
    theta = np.clip(theta, low, high)
    loglik = information = np.zeros(cells.n_units)
    last = None
    measured = np.bincount(cells.unit, minlength=cells.n_units) > 0
    for step_number in range(steps):
        last = theta_score(cells, theta, lag, a, b)
        score, information = last.score, last.information
        rising = score > 0
        low = np.where(rising, theta, low)
        high = np.where(rising, high, theta)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.clip(score / information, -_LARGEST_STEP, _LARGEST_STEP)
        new = theta + step
        inside = (new >= low) & (new <= high)
        new = np.where(inside, new, 0.5 * (low + high))
        # Where the curve is flat there is no step. A unit with nothing left at any look belongs
        # there; one with something left was thrown there by an earlier lag, and starts afresh.
        flat = information < _FLAT
        afresh = flat & measured & (step_number == 0)
        new = np.where(flat, theta, new)
        if afresh.any():
            new = np.where(afresh, first_guess(cells), new)
        moved = np.abs(new - theta)[(information > 1e-3) | afresh]
        theta = new
        if moved.size == 0 or moved.max() <= tolerance:
            break
    return theta, loglik if last is None else last.loglik(), information


def settle_rates(
    cells: Cells, theta: FloatArray, lag: FloatArray, a: FloatArray, b: FloatArray
) -> FloatArray:
    """θ (n_units,) at its optimum; arguments as `solve_rates`.

    A few units creep along a flat likelihood long after the others have arrived; they alone go on.
    """
    theta, _, _ = solve_rates(cells, theta, lag, a, b, steps=_COMMON_STEPS, tolerance=_LAST_MOVE)
    new, _, information = solve_rates(cells, theta, lag, a, b, steps=1)
    moving = (np.abs(new - theta) > _LAST_MOVE) & (information > 0)
    if not moving.any():
        return new
    number = np.where(moving, np.cumsum(moving) - 1, -1)
    some = regroup(cells, number, int(moving.sum()))
    rest = (x[moving] for x in (theta, lag, a, b))
    new[moving], _, _ = solve_rates(some, *rest, steps=_MOST_STEPS, tolerance=_LAST_MOVE)
    return new
