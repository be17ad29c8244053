"""The restricted criterion as a function of the lag alone, the rest maximised out.

In the lag the criterion is continuous but has a kink at every look day, where the looks of that
day begin or cease to count as decayed. All other parameters are smooth. So the lag is searched
from outside, by the sign of the exact slope, and the rest by Newton from the neighbouring lag.
"""

from dataclasses import dataclass

import numpy as np

from registry.science.one_stage.laplace import Evaluation, Mode, ModeNotFound, Theta, evaluate
from registry.science.one_stage.likelihood import CellLikelihood
from registry.science.one_stage.maximise import Maximum, Value, maximise
from registry.science.one_stage.start import Start
from registry.science.types import BoolArray, FitDidNotConverge, FloatArray

# Weighing with adhering dirt and drying is not repeatable to better than 0.1 % of the start mass
# (common practice, no source); it also keeps the variance positive where the curve fits exactly.
LEAST_A = 0.001**2
# Promised gains in the criterion at which Newton stops: at the estimate, and on the way to it.
EXACT = 1e-10
ROUGH = 1e-4
# Half the 95 % point of chi-squared with one degree of freedom.
HALF_CHI2_95 = 1.9207294103470542


@dataclass(frozen=True)
class Layout:
    """Which parameters are free. ψ = (√(a − LEAST_A), √b, τ of the free levels, leaf first).

    `free` has one flag per level of the nest, leaf first; a level that is not free has τ = 0.
    """

    free: BoolArray

    @property
    def n(self) -> int:
        return 2 + int(self.free.sum())

    def theta(self, psi: FloatArray, lag: float) -> Theta:
        tau2 = np.zeros(len(self.free))
        tau2[self.free] = psi[2:] ** 2
        return Theta(lag, LEAST_A + psi[0] ** 2, psi[1] ** 2, tau2)

    def gradient(self, psi: FloatArray, by_theta: FloatArray) -> FloatArray:
        """From gradients by (L, a, b, τ² …), (…, 3 + n_levels), to gradients by ψ."""
        end = 3 + len(self.free)
        by_square = np.concatenate([by_theta[..., 1:3], by_theta[..., 3:end][..., self.free]], -1)
        return np.asarray(2.0 * psi * by_square)

    def from_start(self, start: Start) -> FloatArray:
        taus = np.array([start.tau_pile, start.tau_pile, start.tau_site])[-len(self.free) :]
        variances = np.sqrt([start.a, start.b])
        return np.concatenate([variances, taus[self.free]])


@dataclass(frozen=True)
class ProfilePoint:
    """The maximum at one lag; `slope` is the criterion's right-hand derivative in the lag."""

    lag: float
    criterion: float
    slope: float
    mean: float
    maximum: Maximum
    tolerance: float


class LagProfile:
    """Maxima at given lags, each started from the nearest one known."""

    def __init__(
        self,
        likelihood: CellLikelihood,
        layout: Layout,
        psi: FloatArray,
        eta: FloatArray,
        information: FloatArray | None = None,
    ) -> None:
        self.likelihood = likelihood
        self.layout = layout
        self.n_evaluations = 0
        self.points: dict[float, ProfilePoint] = {}
        self._psi = psi
        self._information = information
        self._start = eta
        self._scale = np.maximum(np.abs(psi), 0.25 * np.median(np.abs(psi[:2])))

    def at(self, lag: float, tolerance: float = EXACT) -> ProfilePoint:
        """The maximum at `lag`, days."""
        if lag not in self.points or self.points[lag].tolerance > tolerance:
            self.points[lag] = self._maximise(lag, tolerance)
        return self.points[lag]

    def explore(self, lag: float) -> ProfilePoint | None:
        """A rough maximum at a lag that may be far off; None where the fit there breaks down."""
        try:
            return self.at(lag, ROUGH)
        except FitDidNotConverge:
            return None

    def slope_left(self, lag: float) -> float:
        """The left-hand derivative: the looks of day `lag` itself count as just decaying."""
        point = self.at(lag, ROUGH)
        just_before = lag * (1.0 - 1e-12)
        value = self._value(point.maximum.at, just_before, _mode(point))
        return point.slope if value is None else float(evaluation_of(value).gradient[0])

    def _maximise(self, lag: float, tolerance: float) -> ProfilePoint:
        psi, information = self._psi, self._information
        warm: FloatArray | Mode = self._start
        if self.points:
            near = min(self.points.values(), key=lambda p: abs(p.lag - lag))
            psi, information, warm = near.maximum.at, near.maximum.information, _mode(near)
        latest: FloatArray | Mode = warm

        def criterion(x: FloatArray) -> Value | None:
            nonlocal latest
            value = self._value(x, lag, latest)
            if value is not None:
                latest = evaluation_of(value).mode
            return value

        even = np.ones(self.layout.n, bool)
        found = maximise(criterion, psi, self._scale, even, tolerance, information)
        evaluation = evaluation_of(found.value)
        slope = float(evaluation.gradient[0])
        return ProfilePoint(
            lag, evaluation.criterion, slope, evaluation.mode.mean, found, tolerance
        )

    def _value(self, psi: FloatArray, lag: float, warm: FloatArray | Mode) -> Value | None:
        self.n_evaluations += 1
        try:
            result = evaluate(self.likelihood, self.layout.theta(psi, lag), warm)
        except ModeNotFound:
            return None
        return Value(result.criterion, self.layout.gradient(psi, result.gradient), result)

    def information_and_mean_slope(self, point: ProfilePoint) -> tuple[FloatArray, FloatArray]:
        """Negative Hessian by ψ at one lag, and dμ̂/dψ, both by differences of exact values."""
        psi, base = point.maximum.at, point.maximum.value
        columns, slopes = [], []
        for i in range(len(psi)):
            step = np.zeros_like(psi)
            step[i] = 1e-4 * self._scale[i]
            near = self._value(psi + step, point.lag, _mode(point))
            if near is None:
                raise FitDidNotConverge("The criterion is undefined beside its maximum.")
            columns.append((base.gradient - near.gradient) / step[i])
            slopes.append((evaluation_of(near).mode.mean - point.mean) / step[i])
        information = np.array(columns)
        return 0.5 * (information + information.T), np.array(slopes)


def evaluation_of(value: Value) -> Evaluation:
    """The Laplace evaluation a value carries."""
    assert isinstance(value.carried, Evaluation)
    return value.carried


def _mode(point: ProfilePoint) -> Mode:
    return evaluation_of(point.maximum.value).mode
