"""Maximise a smooth criterion with an exact gradient in a handful of parameters.

Newton with a Hessian by differences of the exact gradient at the start, kept up to date by BFGS.
Standard deviations enter as themselves: a criterion that depends on σ² is even in σ, so a variance
of zero is an ordinary stationary point and no bound is needed. The one trap, sitting on σ = 0 when
σ² > 0 would be better, shows as a positive curvature and is left by a push.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from registry.science.types import BoolArray, FitDidNotConverge, FloatArray

MAX_STEPS = 40
# Halvings (and a bit more) of a step before it is given up: 0.4 to this power is 3e-6.
MAX_CUTS = 14
# Curvature below this (in units of the parameters' scales) is flat: steps are capped instead.
FLATTEST = 1e-6
LONGEST_STEP = 1.0
# A promised gain so large means that the quadratic picture is a poor one: the Hessian is taken
# afresh, as it is after OLDEST updates.
FAR = 5.0
OLDEST = 12
DIFFERENCE = 1e-4
# Even parameters this close to zero (in scales) count as zero when their curvature is tested.
NEAR_ZERO = 1e-3


@dataclass(frozen=True)
class Value:
    """A criterion, its gradient, and whatever the caller wants to carry along."""

    criterion: float
    gradient: FloatArray
    carried: object


# Returns None where the criterion does not exist.
Criterion = Callable[[FloatArray], Value | None]
Curvature = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class Maximum:
    """The point, its value and the negative Hessian there (differences, or as updated)."""

    at: FloatArray
    value: Value
    information: FloatArray
    n_evaluations: int


def maximise(
    criterion: Criterion,
    start: FloatArray,
    scale: FloatArray,
    even: BoolArray,
    tolerance: float,
    information: FloatArray | None = None,
    leave_zero: bool | None = None,
    curvature: Curvature | None = None,
    far: float = FAR,
) -> Maximum:
    """Climb to a maximum.

    Parameters
    ----------
    criterion : x → Value; None where undefined.
    start, scale : (p,) first guess and typical size of a change, > 0.
    even : (p,) true where the criterion is even in the parameter (a standard deviation).
    tolerance : stop when Newton's predicted gain falls below it.
    information : (p, p) negative Hessian of a near-by problem; None = by differences.
    leave_zero : whether to test that no even parameter is stuck at zero; None = only when
        `information` is not given.
    curvature : gives the negative Hessian at x, exactly or nearly; None = by differences.
    far : promised gain above which the Hessian is taken afresh.

    Raises
    ------
    FitDidNotConverge : no maximum within MAX_STEPS, or undefined at the start.
    """
    climb = _Climb(criterion, scale, tolerance, curvature)
    x, value = start, climb.at(start)
    if value is None:
        raise FitDidNotConverge("The criterion is undefined at the starting values.")
    leave_zero = information is None if leave_zero is None else leave_zero
    info = climb.hessian(x, value) if information is None else information
    age = 0
    for _ in range(MAX_STEPS):
        direction, gain = climb.newton(info, value.gradient)
        if gain < tolerance:
            pushed = climb.pushed_off_zero(x, value, even) if leave_zero else None
            if pushed is None:
                return Maximum(x, value, info, climb.n_evaluations)
            x, value = pushed
            info, age = climb.hessian(x, value), 0
            continue
        moved = climb.search(x, value, direction)
        if moved is None and age == 0:
            return climb.at_rounding_limit(x, value, info, gain)
        if moved is None:
            info, age = climb.hessian(x, value), 0
            continue
        updated = _bfgs(info, moved[0] - x, value.gradient - moved[1].gradient)
        x, value = moved
        if updated is None or gain > far or age >= OLDEST:
            info, age = climb.hessian(x, value), 0
        else:
            info, age = updated, age + 1
    raise FitDidNotConverge("The likelihood has no clear maximum.")


class _Climb:
    def __init__(
        self,
        criterion: Criterion,
        scale: FloatArray,
        tolerance: float,
        curvature: Curvature | None,
    ) -> None:
        self.curvature = curvature
        self.criterion = criterion
        self.scale = scale
        self.tolerance = tolerance
        self.n_evaluations = 0

    def at(self, x: FloatArray) -> Value | None:
        self.n_evaluations += 1
        return self.criterion(x)

    def hessian(self, x: FloatArray, value: Value) -> FloatArray:
        """The negative Hessian, made positive."""
        if self.curvature is not None:
            return positive(self.curvature(x), self.scale)
        columns = []
        for i, size in enumerate(self.scale):
            step = np.zeros_like(x)
            step[i] = DIFFERENCE * size
            near = self.at(x + step)
            slope = np.zeros_like(x) if near is None else near.gradient - value.gradient
            columns.append(-slope / step[i])
        info = np.array(columns)
        return positive(info, self.scale)

    def newton(self, info: FloatArray, gradient: FloatArray) -> tuple[FloatArray, float]:
        """Uphill step, capped, and the gain it promises."""
        scaled = info * np.outer(self.scale, self.scale)
        try:
            step = self.scale * np.linalg.solve(scaled, gradient * self.scale)
        except np.linalg.LinAlgError as error:
            raise FitDidNotConverge("The likelihood is flat in some direction.") from error
        gain = 0.5 * float(gradient @ step)
        length = float(np.max(np.abs(step / self.scale), initial=0.0))
        return step * min(1.0, LONGEST_STEP / max(length, LONGEST_STEP)), gain

    def search(
        self, x: FloatArray, value: Value, direction: FloatArray
    ) -> tuple[FloatArray, Value] | None:
        rise = float(value.gradient @ direction)
        share = 1.0
        for _ in range(MAX_CUTS):
            trial = self.at(x + share * direction)
            if trial is not None and trial.criterion >= value.criterion + 1e-4 * share * rise:
                return x + share * direction, trial
            share *= 0.4
        return None

    def at_rounding_limit(
        self, x: FloatArray, value: Value, info: FloatArray, gain: float
    ) -> Maximum:
        """No step rises any more: fine when the promised gain drowns in rounding."""
        if gain > 1e-9 * (1.0 + abs(value.criterion)):
            raise FitDidNotConverge("The likelihood stopped rising before its gradient vanished.")
        return Maximum(x, value, info, self.n_evaluations)

    def pushed_off_zero(
        self, x: FloatArray, value: Value, even: BoolArray
    ) -> tuple[FloatArray, Value] | None:
        for i in np.flatnonzero(even & (np.abs(x) < NEAR_ZERO * self.scale)):
            push = np.zeros_like(x)
            push[i] = 10.0 * NEAR_ZERO * self.scale[i]
            trial = self.at(x + push)
            if trial is not None and trial.criterion > value.criterion + self.tolerance:
                return x + push, trial
        return None


def positive(info: FloatArray, scale: FloatArray) -> FloatArray:
    """The same curvatures with their signs made right and none flatter than FLATTEST."""
    units = np.outer(scale, scale)
    symmetric = 0.5 * (info + info.T) * units
    values, vectors = np.linalg.eigh(symmetric)
    if values[0] >= FLATTEST:
        return np.asarray(symmetric / units, np.float64)
    kept: FloatArray = (vectors * np.maximum(np.abs(values), FLATTEST)) @ vectors.T / units
    return kept


def _bfgs(info: FloatArray, step: FloatArray, fall: FloatArray) -> FloatArray | None:
    """BFGS update of the negative Hessian; None where the curvature along the step is wrong."""
    along = float(step @ fall)
    pushed = info @ step
    if along <= 1e-10 * float(step @ pushed):
        return None
    return info + np.outer(fall, fall) / along - np.outer(pushed, pushed) / float(step @ pushed)
