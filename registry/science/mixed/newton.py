"""The optimum of the criterion on γ >= 0, by active-set Newton steps.

Each step minimises the quadratic model gᵀδ + ½ δᵀ A δ over γ + δ >= 0. With A = RᵀR that is the
non-negative least squares problem  min ‖R x − (R γ − R⁻ᵀ g)‖, x >= 0, whose active-set solution
(Lawson & Hanson 1974, ch. 23) says at once which components sit at zero. A step towards the
solution of a convex model is a descent direction, so halving it must end.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from registry.science.mixed.criterion import Blocks, Evaluation, Method, evaluate
from registry.science.mixed.information import observed_curvature
from registry.science.types import FitDidNotConverge, FloatArray

# lme4's own start: every component as large as the residual.
START = 1.0
MAX_STEPS = 100
MAX_HALVINGS = 30
# The model's decrease is half a squared distance in standard errors of γ: 1e-14 is a ten-millionth
# of one. It comes from the gradient, so the rounding of the criterion itself does not blur it.
DECREASE_TOLERANCE = 1e-14
# Where average information still crawls after so many steps, exact second derivatives, which are
# dearer, take over.
PATIENCE = 6
# At this ratio the residual counts as zero beside the term: standard errors are within a millionth
# of their limit.
LARGEST_RATIO = 1e6
AT_CAP = 0.99
# A component no residual points to has no curvature; this floor turns its step into "to zero".
CURVATURE_FLOOR = 1e-6
# At very large ratios rounding stops the descent earlier; that is an optimum too, if no more than
# this is promised by a step with exact second derivatives.
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
    """Where the search ended; a γ of 0 or of `LARGEST_RATIO` is at its bound."""

    evaluation: Evaluation
    n_evaluations: int


def minimise(blocks: Blocks, method: Method, start: FloatArray | None = None) -> Optimum:
    """Find γ̂ from `start` (default 1 for every term).

    Raises
    ------
    NoResidualVariation : the terms reproduce the values exactly.
    FitDidNotConverge : no optimum within `MAX_STEPS` steps, or no way down.
    """
    gamma = np.full(len(blocks.terms), START) if start is None else np.asarray(start, dtype=float)
    current = evaluate(blocks, np.minimum(gamma, LARGEST_RATIO), method)
    count, before, exact = 1, np.inf, False
    for taken in range(MAX_STEPS):
        step = _model_step(current, method, exact)
        decrease = -float(current.gradient @ step)
        crawling = decrease > before / 2
        if decrease <= DECREASE_TOLERANCE or (exact and crawling and decrease <= ROUNDING_FLOOR):
            return Optimum(current, count)
        trial, used = _walk(blocks, method, current, step)
        count += used
        if trial is not None:
            current = trial
        elif exact and decrease <= ROUNDING_FLOOR:
            return Optimum(current, count)
        elif exact:
            raise FitDidNotConverge(f"No step from γ = {current.gamma} lowers the criterion.")
        exact = exact or trial is None or (crawling and taken >= PATIENCE)
        before = decrease
    raise FitDidNotConverge(f"No optimum after {MAX_STEPS} steps; γ = {current.gamma}.")


def _model_step(at: Evaluation, method: Method, exact: bool) -> FloatArray:
    """To the minimum of the quadratic model over γ >= 0; ratios pressed to a bound stay."""
    curvature = at.curvature
    if exact:
        curvature = observed_curvature(at, at.point.moments(), method)
    held_low = (at.gamma == 0) & (at.gradient >= 0)
    held_high = (at.gamma >= AT_CAP * LARGEST_RATIO) & (at.gradient <= 0)
    free = np.flatnonzero(~(held_low | held_high))
    step = np.zeros(len(at.gamma))
    if len(free):
        gamma, gradient = at.gamma[free], at.gradient[free]
        step[free] = _bounded_minimum(gamma, gradient, curvature[np.ix_(free, free)]) - gamma
    return step


def _bounded_minimum(gamma: FloatArray, gradient: FloatArray, curvature: FloatArray) -> FloatArray:
    diagonal = np.abs(np.diag(curvature))
    floor = np.maximum(CURVATURE_FLOOR * gradient**2, np.finfo(float).tiny)
    lifted = np.maximum(diagonal, floor)
    scale = 1 / np.sqrt(lifted)
    a = (curvature + np.diag(lifted - np.diag(curvature))) * np.outer(scale, scale)
    value, vector = np.linalg.eigh(a)
    # Exact curvature may be negative somewhere; its size still tells how far to go.
    root = np.sqrt(np.maximum(np.abs(value), RIDGE))
    r = root[:, None] * vector.T
    right = r @ (gamma / scale) - vector.T @ (gradient * scale) / root
    return nnls(r, right)[0] * scale


def _walk(
    blocks: Blocks, method: Method, at: Evaluation, step: FloatArray
) -> tuple[Evaluation | None, int]:
    """The first of the full, half, quarter ... step that lowers the criterion enough, if any."""
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
        promised = float(at.gradient @ (gamma - at.gamma))
        if trial.criterion <= at.criterion + SUFFICIENT * promised + slack:
            return trial, used
        length /= 2
    return None, MAX_HALVINGS
