"""Climbing the Laplace likelihood of the cumulative-link mixed model; symbols as in `ordinal`.

The first Hessian is that of the joint height h(φ, e) with e profiled out (Schur complement through
the nest), which is close to the Laplace criterion's own: a few quasi-Newton steps finish.
"""

from dataclasses import dataclass

import numpy as np

from registry.science.one_stage.maximise import Maximum, Value, maximise, positive
from registry.science.one_stage.nest import Nest, Sweep, log_det_slopes, solve, sweep_up
from registry.science.one_stage.quadrature import quadrature_loglik
from registry.science.ordinal_likelihood import ScoreCells, ScoreDerivatives, ScoreLikelihood
from registry.science.types import BoolArray, FloatArray, IntArray

GAIN_TOLERANCE = 1e-10
# Thresholds and effects move together: updates of an old Hessian lose the way early.
GAIN_OF_A_POOR_PICTURE = 0.5
# Newton's last step is quadratic: the next error is far below rounding of the likelihood.
MODE_TOLERANCE = 1e-6
MAX_MODE_STEPS = 60
START_TAU = 0.5
# Step of central differences of the quadrature likelihood: cube root of double precision.
QUADRATURE_STEP = 6e-6
QUADRATURE_GAIN = 1e-8
# The gradient is exact to about 1e-10, so a forward difference this short is good to 1e-5.
HESSIAN_STEP = 1e-5


@dataclass(frozen=True)
class Solution:
    """The maximum; `at` = (θ, β, τ of free levels), `covariance` of the same."""

    at: FloatArray
    covariance: FloatArray
    tau2: FloatArray
    site_effects: FloatArray
    loglik: float
    n_evaluations: int


@dataclass(frozen=True)
class _Mode:
    effect: FloatArray
    node_sums: tuple[FloatArray, ...]


class OrdinalProblem:
    """Cells, nest and what is free; x = (θ, β, τ of free levels, leaf first)."""

    def __init__(self, cells: ScoreCells, nest: Nest, free: BoolArray, link: str) -> None:
        self.cells, self.nest, self.free = cells, nest, free
        self.likelihood = ScoreLikelihood(cells, link)
        self.k, self.q = cells.n_classes - 1, cells.design.shape[1]
        self._latest = self._no_effects()

    def solve(self, n_nodes: int) -> Solution:
        """Maximise Laplace's likelihood, then, with more than one node, the quadrature's."""
        taus = np.full(int(self.free.sum()), START_TAU)
        x = np.concatenate([self._start_thresholds(), np.zeros(self.q), taus])
        # Half a start: no single step may throw a standard deviation onto zero.
        scale = np.concatenate([np.ones(self.k + self.q), 0.5 * taus])
        even = np.arange(len(x)) >= self.k + self.q
        top = maximise(
            self.laplace,
            x,
            scale,
            even,
            GAIN_TOLERANCE,
            curvature=self._joint_information,
            far=GAIN_OF_A_POOR_PICTURE,
        )
        n = top.n_evaluations
        information = self._information(top, scale)
        if n_nodes > 1:
            start = (top.at, scale, even, QUADRATURE_GAIN, positive(information, scale))
            top = maximise(lambda at: self._quadrature(at, n_nodes), *start)
            n += top.n_evaluations * (2 * len(x) + 1)
        theta, beta, tau2 = self._split(top.at)
        mode = self._find_mode(theta, beta, tau2)
        return Solution(
            np.concatenate([top.at[: self.k + self.q], np.abs(top.at[self.k + self.q :])]),
            np.asarray(np.linalg.pinv(information, hermitian=True), np.float64),
            tau2,
            tau2[-1] * mode.node_sums[-1],
            top.value.criterion,
            n + len(x),
        )

    def laplace(self, x: FloatArray) -> Value | None:
        """Laplace log-likelihood and exact gradient; None where thresholds are out of order."""
        theta, beta, tau2 = self._split(x)
        if np.any(np.diff(theta) <= 0.0):
            return None
        mode = self._find_mode(theta, beta, tau2)
        d = self.likelihood.derivatives(theta, beta, mode.effect)
        sweep = sweep_up(self.nest, tau2, self.likelihood.sum_by_leaf(-d.second))
        by_tau2, variances = log_det_slopes(sweep, flat_mean=False)
        w = -variances[0] * self.likelihood.sum_by_leaf(d.third)
        _, lambda_sums, rho = solve(sweep, w, 0.0)
        pairs = zip(mode.node_sums, lambda_sums, by_tau2, strict=True)
        by_variance = np.array([0.5 * (n @ n - slope.sum() - n @ lam) for n, lam, slope in pairs])
        by_phi = self._by_phi(d, variances[0], rho)
        by_tau = 2.0 * x[self.k + self.q :] * by_variance[self.free]
        height = d.value.sum() - 0.5 * mode.node_sums[0] @ mode.effect
        value = height - 0.5 * sweep.log_det()
        return Value(float(value), np.concatenate([by_phi, by_tau]), sweep)

    def _by_phi(self, d: ScoreDerivatives, g: FloatArray, rho: FloatArray) -> FloatArray:
        """Gradient by θ and β: each cell's c_φ, summed over classes and over covariates."""
        half_g, half_rho = 0.5 * g[self.cells.leaf], 0.5 * rho[self.cells.leaf]
        above = d.above[0] + half_g * d.above[2] - half_rho * d.above[1]
        below = d.below[0] + half_g * d.below[2] - half_rho * d.below[1]
        along = d.first + half_g * d.third - half_rho * d.second
        by_pattern = np.bincount(self.cells.pattern, along, len(self.cells.design))
        return np.concatenate([self._by_threshold(above, below), by_pattern @ self.cells.design])

    def _by_threshold(self, above: FloatArray, below: FloatArray) -> FloatArray:
        """(K − 1,) sums over the cells above and below each threshold."""
        up = np.bincount(self.cells.score, above, self.k + 1)[: self.k]
        down = np.bincount(self.cells.score, below, self.k + 1)[1:]
        return np.asarray(up + down, np.float64)

    def _find_mode(self, theta: FloatArray, beta: FloatArray, tau2: FloatArray) -> _Mode:
        """Newton for the effects; both links are log-concave, so every step is uphill."""
        above = np.zeros(1)
        for level in reversed(range(self.nest.n_levels)):
            above = self.nest.spread_down(level, above)
            above = above + tau2[level] * self._latest.node_sums[level]
        mode = _Mode(above, self._latest.node_sums)
        total, first, second = self.likelihood.to_second(theta, beta, mode.effect)
        height = total - 0.5 * float(mode.node_sums[0] @ mode.effect)
        for _ in range(MAX_MODE_STEPS):
            sweep = sweep_up(self.nest, tau2, np.maximum(-second, 0.0))
            _, sums, effect = solve(sweep, first - second * mode.effect, 0.0)
            target = _Mode(effect, sums)
            if float(np.max(np.abs(effect - mode.effect))) < MODE_TOLERANCE:
                mode = target
                break
            share = 1.0
            for _ in range(30):
                trial = _between(mode, target, share)
                total, first, second = self.likelihood.to_second(theta, beta, trial.effect)
                trial_height = total - 0.5 * float(trial.node_sums[0] @ trial.effect)
                if trial_height >= height - 1e-9 * (1.0 + abs(height)):
                    break
                share *= 0.5
            mode, height = trial, trial_height
        self._latest = mode
        return mode

    def _no_effects(self) -> _Mode:
        zeros = tuple(np.zeros(size) for size in self.nest.sizes)
        return _Mode(zeros[0], zeros)

    def _quadrature(self, x: FloatArray, n_nodes: int) -> Value | None:
        """Quadrature log-likelihood, its gradient by central differences."""
        value = self._quadrature_loglik(x, n_nodes)
        if value is None:
            return None
        gradient = np.zeros_like(x)
        for i in range(len(x)):
            step = np.zeros_like(x)
            step[i] = QUADRATURE_STEP * (1.0 + abs(x[i]))
            ends = [self._quadrature_loglik(x + s * step, n_nodes) for s in (1.0, -1.0)]
            if ends[0] is None or ends[1] is None:
                return None
            gradient[i] = (ends[0] - ends[1]) / (2.0 * step[i])
        return Value(value, gradient, None)

    def _quadrature_loglik(self, x: FloatArray, n_nodes: int) -> float | None:
        laplace = self.laplace(x)
        if laplace is None:
            return None
        theta, beta, _ = self._split(x)
        assert isinstance(laplace.carried, Sweep)

        def by_leaf(effect: FloatArray) -> FloatArray:
            return self.likelihood.by_leaf(theta, beta, effect)

        sums = self._latest.node_sums
        return quadrature_loglik(by_leaf, 0.0, sums, laplace.carried, n_nodes)

    def _split(self, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        tau2 = np.zeros(len(self.free))
        tau2[self.free] = x[self.k + self.q :] ** 2
        return x[: self.k], x[self.k : self.k + self.q], tau2

    def _start_thresholds(self) -> FloatArray:
        counts = np.bincount(self.cells.score, self.cells.count)
        share = np.cumsum(counts)[:-1] / counts.sum()
        thresholds: FloatArray = np.log(share / (1.0 - share))
        return thresholds

    def _information(self, top: Maximum, scale: FloatArray) -> FloatArray:
        """Negative Hessian at the top by differences of the exact gradient."""
        here, columns = self.laplace(top.at), []
        for i, size in enumerate(scale):
            step = np.zeros_like(top.at)
            step[i] = HESSIAN_STEP * size
            near = self.laplace(top.at + step)
            if near is None or here is None:
                columns.append(top.information[i])
            else:
                columns.append((here.gradient - near.gradient) / step[i])
        information = np.array(columns)
        return 0.5 * (information + information.T)

    def _joint_information(self, x: FloatArray) -> FloatArray:
        """Negative Hessian: of the joint height with e profiled out for θ and β, by differences of
        the exact gradient for the few standard deviations."""
        theta, beta, tau2 = self._split(x)
        mode = self._find_mode(theta, beta, tau2)
        d = self.likelihood.derivatives(theta, beta, mode.effect)
        sweep = sweep_up(self.nest, tau2, self.likelihood.sum_by_leaf(-d.second))
        cross = self._cross(d, self.cells.leaf, self.nest.sizes[0])
        explained = np.array([solve(sweep, row, 0.0)[2] for row in cross])
        by_phi = -self._phi_phi(d) - cross @ explained.T
        n = self.k + self.q
        information = np.zeros((len(x), len(x)))
        information[:n, :n] = by_phi
        here = self.laplace(x)
        for i in range(n, len(x)):
            step = np.zeros_like(x)
            step[i] = HESSIAN_STEP
            near = self.laplace(x + step)
            if here is not None and near is not None:
                information[i] = (here.gradient - near.gradient) / HESSIAN_STEP
        information[:n, n:] = information[n:, :n].T
        return information

    def _cross(self, d: ScoreDerivatives, group: IntArray, n_groups: int) -> FloatArray:
        """(K − 1 + q, n_groups) ∂²ℓ/∂φ∂e summed within groups of cells."""
        cells, width = self.cells, self.k + 1
        up = _table(cells.score, group, d.above[1], width, n_groups)[: self.k]
        down = _table(cells.score, group, d.below[1], width, n_groups)[1:]
        along = _table(cells.pattern, group, d.second, len(cells.design), n_groups)
        return np.vstack([up + down, cells.design.T @ along])

    def _phi_phi(self, d: ScoreDerivatives) -> FloatArray:
        """(K − 1 + q,)² ∂²ℓ/∂φ∂φ' at fixed effects."""
        cells, k = self.cells, self.k
        hessian = np.zeros((k + self.q, k + self.q))
        rows = np.arange(k)
        hessian[rows, rows] = self._by_threshold(d.curvature[0], d.curvature[2])
        between = np.bincount(cells.score, d.curvature[1], k + 1)[1:k]
        hessian[rows[1:], rows[:-1]] = hessian[rows[:-1], rows[1:]] = between
        by_pattern = self._cross(d, cells.pattern, len(cells.design)) @ cells.design
        hessian[:, k:] = by_pattern
        hessian[k:, :] = by_pattern.T
        return hessian


def _between(start: _Mode, end: _Mode, share: float) -> _Mode:
    if share == 1.0:
        return end
    pairs = zip(start.node_sums, end.node_sums, strict=True)
    sums = tuple(a + share * (b - a) for a, b in pairs)
    return _Mode(start.effect + share * (end.effect - start.effect), sums)


def _table(
    row: IntArray, column: IntArray, values: FloatArray, n_rows: int, n_columns: int
) -> FloatArray:
    """(n_rows, n_columns) sums of `values` by two codes."""
    flat = np.bincount(row * n_columns + column, values, n_rows * n_columns)
    return flat.astype(np.float64, copy=False).reshape(n_rows, n_columns)
