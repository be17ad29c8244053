"""The lag shared by the piles of a material: search, refinement with the variance, interval.

ℓ(L) = Σ_u max_θ ℓ_u(θ, L) is the profile likelihood of a material's lag. It is continuous, with a
kink at every look day (bags lifted before the loss starts stop pulling on L), so it is searched
on a grid, narrowed by golden section, and finished by joint scoring on (L, θ_u): with I the
information,

    dL  = (s_L - Σ I_Lθ s_θ / I_θθ) / (I_LL - Σ I_Lθ² / I_θθ),   dθ = (s_θ - I_Lθ dL) / I_θθ,

never stepping across a kink and resting on one whose two sides both slope down from it.
"""

from dataclasses import dataclass

import numpy as np

from registry.science.cells import Cells, sum_by
from registry.science.likelihood import evaluate
from registry.science.rates import solve_rates
from registry.science.types import BoolArray, FloatArray, IntArray

_GRID = 12
_GOLDEN_STEPS = 6
_GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0
# Half the 95 % point of chi-squared with one degree of freedom.
_HALF_CHI2_95 = 1.920729410347062
_ROOT_STEPS = 12
# In log-likelihood: a hundred-thousandth of the interval's width.
_NEAR_THE_END = 2e-5


@dataclass(frozen=True)
class LagProblem:
    """What the search needs to know besides the current estimates.

    Attributes
    ----------
    unit_material : (n_units,) material of each unit.
    free : (n_materials,) whether the lag is estimated; otherwise it stays at 0.
    highest : (n_materials,) upper bound of the lag, days.
    look_days : sorted distinct look days of each material: the kinks.
    """

    unit_material: IntArray
    free: BoolArray
    highest: FloatArray
    look_days: tuple[FloatArray, ...]

    @property
    def n_materials(self) -> int:
        return len(self.free)


def profile(
    cells: Cells,
    problem: LagProblem,
    theta: FloatArray,
    lag: FloatArray,
    a: FloatArray,
    b: FloatArray,
    steps: int = 3,
) -> tuple[FloatArray, FloatArray]:
    """ℓ(L) of every material at its own L (n_materials,), and the θ (n_units,) that reach it."""
    u = problem.unit_material
    theta, loglik, _ = solve_rates(cells, theta, lag[u], a, b, steps=steps, tolerance=1e-6)
    return sum_by(u, loglik, problem.n_materials), theta


def search_lag(
    cells: Cells, problem: LagProblem, theta: FloatArray, a: FloatArray, b: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Best lag on a grid. `a`, `b` are (n_units,). Returns lag (n_materials,) and θ (n_units,)."""
    top = np.where(problem.free, problem.highest, 0.0)
    best_lag, best_theta = np.zeros(problem.n_materials), theta
    best = np.full(problem.n_materials, -np.inf)
    for i in range(_GRID + 1):
        lag = top * (i / _GRID)
        loglik, theta = profile(cells, problem, theta, lag, a, b, steps=12 if i == 0 else 2)
        better = loglik > best
        best, best_lag = np.where(better, loglik, best), np.where(better, lag, best_lag)
        best_theta = np.where(better[problem.unit_material], theta, best_theta)
        if not problem.free.any():
            break
    return best_lag, best_theta


def narrow_lag(
    cells: Cells,
    problem: LagProblem,
    theta: FloatArray,
    lag: FloatArray,
    a: FloatArray,
    b: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Golden section between the neighbours on the grid of `lag`; returns as `search_lag`."""
    if not problem.free.any():
        return lag, theta
    top = np.where(problem.free, problem.highest, 0.0)
    low = np.maximum(lag - top / _GRID, 0.0)
    high = np.minimum(lag + top / _GRID, top)
    x1, x2 = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    y1, theta = profile(cells, problem, theta, x1, a, b)
    y2, theta = profile(cells, problem, theta, x2, a, b)
    for _ in range(_GOLDEN_STEPS):
        left = y1 >= y2
        low, high = np.where(left, low, x1), np.where(left, x2, high)
        new = np.where(left, high - _GOLDEN * (high - low), low + _GOLDEN * (high - low))
        y_new, theta = profile(cells, problem, theta, new, a, b, steps=2)
        x1, x2 = np.where(left, new, x2), np.where(left, x1, new)
        y1, y2 = np.where(left, y_new, y2), np.where(left, y1, y_new)
    return 0.5 * (low + high), theta


def step_lag(
    cells: Cells,
    problem: LagProblem,
    theta: FloatArray,
    lag: FloatArray,
    a: FloatArray,
    b: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """One joint scoring step of the lags and the rates.

    Returns
    -------
    lag : (n_materials,), theta : (n_units,) after the step.
    moved : (n_materials,) change of the lag in units of its standard error.
    """
    u, n = problem.unit_material, problem.n_materials
    ev = evaluate(cells, theta, lag[u], a, b)
    known = ev.d_info > 1e-3
    inverse = np.divide(1.0, ev.d_info, out=np.zeros_like(theta), where=known)
    pull = ev.cross_info * ev.d_score * inverse
    taken = ev.cross_info**2 * inverse

    def total(values: FloatArray) -> FloatArray:
        return sum_by(u, values, n)

    right, left = total(ev.l_score - pull), total(ev.l_score_left - pull)
    info_right = np.maximum(total(ev.l_info - taken), 1e-12)
    info_left = np.maximum(total(ev.l_info_left - taken), 1e-12)
    step = np.where(right > 0, right / info_right, np.where(left < 0, left / info_left, 0.0))
    new = np.where(problem.free, _stop_at_kink(problem, lag, step), 0.0)
    moved = np.abs(new - lag) * np.sqrt(np.where(step > 0, info_right, info_left))
    d_theta = np.clip((ev.d_score - ev.cross_info * (new - lag)[u]) * inverse, -1.0, 1.0)
    return new, theta + d_theta, moved


def _stop_at_kink(problem: LagProblem, lag: FloatArray, step: FloatArray) -> FloatArray:
    new = np.clip(lag + step, 0.0, problem.highest)
    for m in np.flatnonzero(problem.free & (new != lag)):
        days = problem.look_days[m]
        if new[m] > lag[m]:
            i = np.searchsorted(days, lag[m], side="right")
            new[m] = min(new[m], days[i]) if i < len(days) else new[m]
        else:
            i = np.searchsorted(days, lag[m], side="left") - 1
            new[m] = max(new[m], days[i]) if i >= 0 else new[m]
    return new


def lag_interval(
    cells: Cells,
    problem: LagProblem,
    theta: FloatArray,
    lag: FloatArray,
    a: FloatArray,
    b: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """95 % profile interval of the lag, days: (n_materials,) low and high.

    The root of the drop in likelihood, r(L) = √(ℓ(L̂) - ℓ(L)), is nearly a straight line away from
    L̂, so the end is read off the line between the nearest points known inside and outside of it.
    """
    best, at_best = profile(cells, problem, theta, lag, a, b)
    ends = []
    for bound in (np.zeros_like(lag), np.where(problem.free, problem.highest, 0.0)):
        at_bound, theta = profile(cells, problem, at_best, bound, a, b, steps=8)
        reached = at_bound >= best - _HALF_CHI2_95
        inside, outside = np.zeros_like(lag), np.abs(bound - lag)
        root_in, root_out = np.zeros_like(lag), np.sqrt(np.maximum(best - at_bound, 0.0))
        distance, theta = outside, at_best
        for _ in range(0 if reached.all() else _ROOT_STEPS):
            with np.errstate(divide="ignore", invalid="ignore"):
                slope = (root_out - root_in) / (outside - inside)
                guess = inside + (np.sqrt(_HALF_CHI2_95) - root_in) / slope
            # Where the root is no line a step may hardly leave the bracket's end: halve it instead.
            low, high = inside + 0.001 * (outside - inside), outside - 0.001 * (outside - inside)
            distance = np.where((guess > low) & (guess < high), guess, 0.5 * (inside + outside))
            at = lag + np.sign(bound - lag) * distance
            value, theta = profile(cells, problem, theta, at, a, b, steps=3)
            drop = best - value
            if (reached | (np.abs(drop - _HALF_CHI2_95) < _NEAR_THE_END)).all():
                break
            good, root = drop <= _HALF_CHI2_95, np.sqrt(np.maximum(drop, 0.0))
            inside, outside = np.where(good, distance, inside), np.where(good, outside, distance)
            root_in, root_out = np.where(good, root, root_in), np.where(good, root_out, root)
        ends.append(np.where(reached, bound, lag + np.sign(bound - lag) * distance))
    return ends[0], ends[1]
