"""The optimum of the criterion on γ >= 0, by active-set Newton steps.

Each step minimises the quadratic model gᵀδ + ½ δᵀ A δ over γ + δ >= 0. With A = RᵀR that is the
non-negative least squares problem  min ‖R x − (R γ − R⁻ᵀ g)‖, x >= 0, whose active-set solution
(Lawson & Hanson 1974, ch. 23) says at once which components sit at zero. A step towards the
solution of a convex model is a descent direction, so halving it must end.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.optimize import nnls

from registry.science.mixed.criterion import Blocks, Evaluation, Method, evaluate
from registry.science.types import FitDidNotConverge, FloatArray

# lme4's own start: every component as large as the residual.
START = 1.0
MAX_STEPS = 100
MAX_HALVINGS = 30
# The criterion is of order n; a model decrease below 1e-11 is under its rounding, and leaves γ
# within a ten-millionth of its standard error.
DECREASE_TOLERANCE = 1e-11
# Keeps the quadratic model definite when two components hardly differ; 1e-9 of the diagonal
# changes a step, never the optimum.
RIDGE = 1e-9
# Armijo's share of the predicted decrease.
SUFFICIENT = 1e-4


@dataclass(frozen=True)
class Optimum:
    """Where the search ended. `at_boundary` marks components whose variance is zero."""

    evaluation: Evaluation
    at_boundary: tuple[bool, ...]
    n_evaluations: int


def minimise(blocks: Blocks, method: Method, start: FloatArray | None = None) -> Optimum:
    """Find γ̂ from `start` (default 1 for every term).

    Raises
    ------
    FitDidNotConverge : no optimum within `MAX_STEPS` steps.
    """
    gamma = np.full(len(blocks.terms), START) if start is None else np.asarray(start, dtype=float)
    current = evaluate(blocks, gamma, method)
    count = 1
    for _ in range(MAX_STEPS):
        target = _model_minimum(current)
        step = target - current.gamma
        decrease = -float(current.gradient @ step)
        if decrease <= DECREASE_TOLERANCE:
            return Optimum(current, tuple(bool(g == 0) for g in current.gamma), count)
        current, used = _walk(blocks, method, current, step)
        count += used
    raise FitDidNotConverge(f"No optimum after {MAX_STEPS} steps; γ = {current.gamma}.")


def _model_minimum(at: Evaluation) -> FloatArray:
    """Minimum over x >= 0 of the quadratic model of the criterion around `at`."""
    scale = 1 / np.sqrt(np.maximum(np.diag(at.curvature), np.finfo(float).tiny))
    a = at.curvature * np.outer(scale, scale)
    a = a + RIDGE * np.eye(len(a))
    r = cholesky(a, lower=False)
    gradient = at.gradient * scale
    right = r @ (at.gamma / scale) - solve_triangular(r, gradient, trans="T", lower=False)
    return nnls(r, right)[0] * scale


def _walk(
    blocks: Blocks, method: Method, at: Evaluation, step: FloatArray
) -> tuple[Evaluation, int]:
    """The first of the full, half, quarter ... step that lowers the criterion enough."""
    slope = float(at.gradient @ step)
    # Rounding of a criterion of order n must not look like an increase near the optimum.
    slack = 1e-12 * (1 + abs(at.criterion))
    length = 1.0
    for used in range(1, MAX_HALVINGS + 1):
        gamma = at.gamma + length * step
        gamma[gamma < 0] = 0.0
        trial = evaluate(blocks, gamma, method)
        if trial.criterion <= at.criterion + SUFFICIENT * length * slope + slack:
            return trial, used
        length /= 2
    raise FitDidNotConverge(f"No step from γ = {at.gamma} lowers the criterion.")
