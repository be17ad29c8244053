"""The optimum of the criterion on γ >= 0, by active-set Newton steps.

Each step minimises the quadratic model gᵀδ + ½ δᵀ A δ over γ + δ >= 0. With A = RᵀR that is the
non-negative least squares problem  min ‖R x − (R γ − R⁻ᵀ g)‖, x >= 0, whose active-set solution
(Lawson & Hanson 1974, ch. 23) says at once which components sit at zero. A step towards the
solution of a convex model is a descent direction, so halving it must end.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from registry.science.mixed.criterion import (
    Blocks,
    Evaluation,
    Method,
    NoResidualVariation,
    evaluate,
)
from registry.science.types import FitDidNotConverge, FloatArray

# lme4's own start: every component as large as the residual.
START = 1.0
MAX_STEPS = 100
MAX_HALVINGS = 30
# The model's decrease is half a squared distance in standard errors of γ: 1e-14 is a ten-millionth
# of one. It comes from the gradient, so the rounding of the criterion itself does not blur it.
DECREASE_TOLERANCE = 1e-14
# Beyond this ratio the residual is rounding beside the term: nothing is left to judge by.
LARGEST_RATIO = 1e7
# Where no step helps beyond this one, the criterion is flat towards infinity: the same finding.
FLAT_RATIO = 1e5
# A component no residual points to has no curvature; this floor turns its step into "to zero".
CURVATURE_FLOOR = 1e-6
# At very large ratios rounding stops the descent earlier, and two nearly aliased components make it
# crawl; that is an optimum too, if no more than this is promised. Exact steps follow (`polish`).
ROUNDING_FLOOR = 1e-6
# Least eigenvalue of the scaled model when two components hardly differ; it changes a step, never
# the optimum.
RIDGE = 1e-9
# A flat model may promise a minimum far out of its reach: no ratio grows more than this at once.
LONGEST_STEP = 100.0
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
    NoResidualVariation : a variance ratio grows beyond `LARGEST_RATIO`.
    FitDidNotConverge : no optimum within `MAX_STEPS` steps, or no way down.
    """
    gamma = np.full(len(blocks.terms), START) if start is None else np.asarray(start, dtype=float)
    current = evaluate(blocks, gamma, method)
    count, before = 1, np.inf
    for _ in range(MAX_STEPS):
        step = _model_minimum(current) - current.gamma
        decrease = -float(current.gradient @ step)
        stalled = decrease <= ROUNDING_FLOOR and decrease > before / 2
        if decrease <= DECREASE_TOLERANCE or stalled:
            return _optimum(current, count)
        trial, used = _walk(blocks, method, current, step)
        count += used
        if trial is None and decrease <= ROUNDING_FLOOR:
            return _optimum(current, count)
        if trial is None and np.any(current.gamma >= FLAT_RATIO):
            raise NoResidualVariation("The residual is nothing beside a random term.")
        if trial is None:
            raise FitDidNotConverge(f"No step from γ = {current.gamma} lowers the criterion.")
        current, before = trial, decrease
        if np.any(current.gamma >= LARGEST_RATIO):
            raise NoResidualVariation("The residual is nothing beside a random term.")
    raise FitDidNotConverge(f"No optimum after {MAX_STEPS} steps; γ = {current.gamma}.")


def _optimum(at: Evaluation, count: int) -> Optimum:
    return Optimum(at, tuple(bool(g == 0) for g in at.gamma), count)


def _model_minimum(at: Evaluation) -> FloatArray:
    """Minimum over x >= 0 of the quadratic model of the criterion around `at`."""
    diagonal = np.diag(at.curvature)
    floor = np.maximum(CURVATURE_FLOOR * at.gradient**2, np.finfo(float).tiny)
    lifted = np.maximum(diagonal, floor)
    scale = 1 / np.sqrt(lifted)
    a = (at.curvature + np.diag(lifted - diagonal)) * np.outer(scale, scale)
    value, vector = np.linalg.eigh(a)
    root = np.sqrt(np.maximum(value, RIDGE))
    r = root[:, None] * vector.T
    right = r @ (at.gamma / scale) - vector.T @ (at.gradient * scale) / root
    return nnls(r, right)[0] * scale


def _walk(
    blocks: Blocks, method: Method, at: Evaluation, step: FloatArray
) -> tuple[Evaluation | None, int]:
    """The first of the full, half, quarter ... step that lowers the criterion enough, if any."""
    slope = float(at.gradient @ step)
    # Rounding of a criterion of order n must not look like an increase near the optimum.
    slack = 1e-12 * (1 + abs(at.criterion))
    length = min(1.0, LONGEST_STEP / max(float(np.max(step / (1 + at.gamma))), 1.0))
    for used in range(1, MAX_HALVINGS + 1):
        gamma = np.clip(at.gamma + length * step, 0.0, LARGEST_RATIO)
        try:
            trial = evaluate(blocks, gamma, method)
        except np.linalg.LinAlgError:
            length /= 2
            continue
        if trial.criterion <= at.criterion + SUFFICIENT * length * slope + slack:
            return trial, used
        length /= 2
    return None, MAX_HALVINGS
