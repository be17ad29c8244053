"""How far the answer leans on one site, on normal residuals, and on Laplace's approximation."""

from dataclasses import replace

import numpy as np

from registry.science.one_stage.cells import Cells, Looks
from registry.science.one_stage.fit import TAU_IS_ZERO, OneStageProblem, fit_looks, psi_of
from registry.science.one_stage.lag import highest
from registry.science.one_stage.laplace import (
    Evaluation,
    Mode,
    ModeNotFound,
    SitePieces,
    Theta,
    evaluate,
    find_mode,
    pieces_by_site,
    variance_of_mean,
)
from registry.science.one_stage.leave_out import Taylor, without_each
from registry.science.one_stage.likelihood import CellLikelihood
from registry.science.one_stage.maximise import Value, maximise, positive
from registry.science.one_stage.profile import LagProfile
from registry.science.one_stage.quadrature import quadrature_loglik
from registry.science.one_stage.records import (
    OneStageFit,
    OneStageOutcome,
    SiteLeftOut,
    StudentCheck,
)
from registry.science.types import FitDidNotConverge, FloatArray, ScienceError

# With two sites, leaving one out leaves nothing to pool.
MIN_SITES_TO_LEAVE_ONE_OUT = 3
# A promised gain at which Newton stops without a site; the step left is taken to first order.
LEFT_OUT_GAIN = 2e-3
# From so many sites on, one of them moves the optimum little: a Newton step for all at once.
MANY_SITES = 12
# A promised gain above which that step is too long to be trusted alone.
LONGEST_GAIN = 0.1
# A small spread of log rates, to start from beside zero.
LIFTED = 0.1
# A difference beyond this share of the standard error is shown before the number itself.
STUDENT_WARNS_AT = 0.5
# Student's squared scale is below the variance it stands for; ν/(ν + 2) starts it near its optimum.
STUDENT_SHARE = 2.0 / 3.0


def leave_one_site_out(looks: Looks, fit: OneStageFit) -> tuple[SiteLeftOut, ...]:
    """The pooled mean without each site in turn, started from the full fit.

    A site is left out by setting its counts to zero, so nothing is rebuilt. Where the design
    without it can separate less than before, or the warm start fails, the rest is fitted afresh.

    Parameters
    ----------
    looks : the looks `fit` was made from.
    fit : a normal or Student fit of them.
    """
    if fit.outcome is not OneStageOutcome.ESTIMATED or looks.n_sites < MIN_SITES_TO_LEAVE_ONE_OUT:
        return ()
    warm = _WarmStart(looks, fit)
    if looks.n_sites < MANY_SITES:
        return tuple(warm.without(site) for site in range(looks.n_sites))
    return warm.without_each()


class _WarmStart:
    """The optimum of a finished fit and the curvature around it; x = (ψ, L), or ψ with L fixed."""

    def __init__(self, looks: Looks, fit: OneStageFit) -> None:
        self.looks, self.fit = looks, fit
        self.problem = OneStageProblem(looks, fit.residual)
        assert fit.lag is not None
        self.lag = fit.lag.days
        self.free_lag = bool(fit.lag.identified and 0.0 < self.lag < self.problem.upper)
        psi = psi_of(fit, self.problem.layout)
        self.x = np.append(psi, self.lag) if self.free_lag else psi
        self.scale = np.maximum(np.abs(self.x), 0.25 * np.median(psi[:2]))
        self.here = self._evaluate(self.problem.cells, self.x, self.problem.leaf_rates(fit))
        self.information, self.mean_slope, self.variance_slope = self._differences()
        self.extra = max(_square(fit.se) - variance_of_mean(self.here.mode), 0.0)

    def without(self, site: int) -> SiteLeftOut:
        rest = self.looks.pile_site != site
        code = int(self.looks.site_codes[site])
        if np.any(_separable(self.looks, rest) != self.problem.layout.free):
            return self._afresh(site, code)
        try:
            return self._warm(site)
        except (FitDidNotConverge, ModeNotFound):
            return self._afresh(site, code)

    def without_each(self) -> tuple[SiteLeftOut, ...]:
        """All sites by one Newton step each; those it would carry far are walked to."""
        found = without_each(self._taylor(), self.information)
        n = self.looks.n_sites
        out = []
        for site in range(n):
            rest = self.looks.pile_site != site
            same_design = np.all(_separable(self.looks, rest) == self.problem.layout.free)
            if not (same_design and found.gain[site] <= LONGEST_GAIN):
                out.append(self.without(site))
                continue
            theta = self._theta(self.x + found.step[site])
            mean = self.here.mode.mean + float(found.mean[site])
            variance = float(found.variance[site]) + self.extra * n / (n - 1.0)
            out.append(self._record(site, theta, mean, variance))
        return tuple(out)

    def _taylor(self) -> Taylor:
        z = np.append(self.x, self.here.mode.mean)
        steps = 1e-4 * np.append(self.scale, 1.0)
        points = [z, *(z + np.diag(steps))]
        pieces = [self._pieces(point) for point in points]
        gradients = [self._by_z(x, p) for x, p in zip(points, pieces, strict=True)]
        return Taylor.of(pieces[0], pieces[1:], steps, gradients)

    def _pieces(self, z: FloatArray) -> SitePieces:
        theta = replace(self._theta(z[:-1]), mean=float(z[-1]))
        likelihood = CellLikelihood(self.problem.cells, self.problem.nu)
        return pieces_by_site(likelihood, theta, self.here.mode)

    def _by_z(self, z: FloatArray, pieces: SitePieces) -> FloatArray:
        layout, by_theta = self.problem.layout, pieces.gradient
        lag = by_theta[:, :1] if self.free_lag else by_theta[:, :0]
        return np.hstack([layout.gradient(z[: layout.n], by_theta), lag, by_theta[:, -1:]])

    def _record(self, site: int, theta: Theta, mean: float, variance: float) -> SiteLeftOut:
        tau2 = self.problem.named_tau2(theta.tau2)
        return SiteLeftOut(
            int(self.looks.site_codes[site]),
            mean,
            float(np.sqrt(max(variance, 0.0))),
            tau2["tau2_site"],
            tau2["tau2_pile"],
            theta.lag,
        )

    def _warm(self, site: int) -> SiteLeftOut:
        cells = _without_site(self.problem.cells, site)
        latest = self.here.mode

        def criterion(x: FloatArray) -> Value | None:
            nonlocal latest
            try:
                evaluation = self._evaluate(cells, x, latest)
            except ModeNotFound:
                return None
            latest = evaluation.mode
            return Value(evaluation.criterion, self._gradient(x, evaluation), evaluation)

        even = np.ones(len(self.x), bool)
        top = maximise(criterion, self.x, self.scale, even, LEFT_OUT_GAIN, self.information)
        lifted = self._lifted()
        if lifted is not None:
            # Zero stays a stationary point without the site, but perhaps no longer the top.
            latest = self.here.mode
            other = maximise(criterion, lifted, self.scale, even, LEFT_OUT_GAIN)
            top = other if other.value.criterion > top.value.criterion else top
        # The last, small Newton step is not walked: its effect is taken to first order.
        step = np.linalg.solve(top.information, top.value.gradient)
        evaluation = top.value.carried
        assert isinstance(evaluation, Evaluation)
        sites = self.looks.n_sites
        variance = variance_of_mean(evaluation.mode) + float(self.variance_slope @ step)
        variance += self.extra * sites / (sites - 1.0)
        mean = evaluation.mode.mean + float(self.mean_slope @ step)
        return self._record(site, self._theta(top.at + step), mean, variance)

    def _lifted(self) -> FloatArray | None:
        """x with the standard deviations that are zero away from it; None when none is."""
        n = self.problem.layout.n
        zero = np.zeros(len(self.x), bool)
        zero[2:n] = np.abs(self.x[2:n]) < TAU_IS_ZERO
        return np.where(zero, LIFTED, self.x) if zero.any() else None

    def _theta(self, x: FloatArray) -> Theta:
        n = self.problem.layout.n
        lag = float(np.clip(x[n], 0.0, self.problem.upper)) if self.free_lag else self.lag
        return self.problem.layout.theta(x[:n], lag)

    def _evaluate(self, cells: Cells, x: FloatArray, start: FloatArray | Mode) -> Evaluation:
        return evaluate(CellLikelihood(cells, self.problem.nu), self._theta(x), start)

    def _gradient(self, x: FloatArray, evaluation: Evaluation) -> FloatArray:
        by_psi = self.problem.layout.gradient(x[: self.problem.layout.n], evaluation.gradient)
        return np.append(by_psi, evaluation.gradient[0]) if self.free_lag else by_psi

    def _differences(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Negative Hessian by x, made positive; slopes in x of μ̂ and of its variance."""
        at_top = self._gradient(self.x, self.here)
        variance_here = variance_of_mean(self.here.mode)
        columns, means, variances = [], [], []
        for i, size in enumerate(self.scale):
            step = np.zeros_like(self.x)
            step[i] = 1e-4 * size
            near = self._evaluate(self.problem.cells, self.x + step, self.here.mode)
            columns.append((at_top - self._gradient(self.x + step, near)) / step[i])
            means.append((near.mode.mean - self.here.mode.mean) / step[i])
            variances.append((variance_of_mean(near.mode) - variance_here) / step[i])
        information = positive(np.array(columns), self.scale)
        return information, np.array(means), np.array(variances)

    def _afresh(self, site: int, code: int) -> SiteLeftOut:
        fit = fit_looks(self.looks.rows(self.looks.site != site), self.fit.residual)
        days = None if fit.lag is None else fit.lag.days
        return SiteLeftOut(code, fit.mu, fit.se, fit.tau2_site, fit.tau2_pile, days)


def _separable(looks: Looks, kept_piles: np.ndarray) -> np.ndarray:
    piles_at_site = np.bincount(looks.pile_site[kept_piles])
    pile, site = bool(piles_at_site.max() > 1), int(np.sum(piles_at_site > 0)) > 1
    return np.array([True, pile, site] if looks.repeated else [pile, site])


def _without_site(cells: Cells, site: int) -> Cells:
    kept = cells.nest.top_of_leaf()[cells.leaf] != site
    return Cells(
        cells.leaf, cells.day, cells.count * kept, cells.value,
        cells.within * kept[: cells.n_seen], cells.measured, cells.cut, cells.n_seen, cells.nest,
    )  # fmt: skip


def _square(value: float | None) -> float:
    return 0.0 if value is None else value**2


def student_check(looks: Looks, fit: OneStageFit) -> StudentCheck | None:
    """Refit with Student-t residuals from the normal optimum; None = no optimum was found.

    Raises
    ------
    ScienceError : `fit` has no mean rate, or is itself a Student fit.
    """
    if fit.mu is None or fit.se is None or fit.lag is None or fit.residual != "normal":
        raise ScienceError("The Student-t check compares with a normal fit that has a mean rate.")
    problem, normal = OneStageProblem(looks, "student"), OneStageProblem(looks, "normal")
    psi = psi_of(fit, problem.layout)
    theta = problem.layout.theta(psi, fit.lag.days)
    mode = find_mode(CellLikelihood(normal.cells), theta, normal.leaf_rates(fit))
    psi[:2] *= np.sqrt(STUDENT_SHARE)
    likelihood = CellLikelihood(problem.cells, problem.nu)
    profile = LagProfile(likelihood, problem.layout, psi, mode.eta)
    try:
        if fit.lag.identified:
            step = max(fit.lag.standard_error or 0.0, 1e-3 * problem.upper)
            best = highest(profile, fit.lag.days, problem.upper, problem.look_days, step)
        else:
            best = profile.at(0.0)
    except FitDidNotConverge:
        return None
    tau2 = problem.named_tau2(problem.layout.theta(best.maximum.at, best.lag).tau2)
    moved = (best.mean - fit.mu) / fit.se
    return StudentCheck(
        best.mean,
        tau2["tau2_site"],
        tau2["tau2_pile"],
        best.lag,
        moved,
        abs(moved) > STUDENT_WARNS_AT,
    )


def laplace_error(looks: Looks, fit: OneStageFit, n_nodes: int = 9) -> float:
    """Laplace minus nested adaptive Gauss-Hermite log-likelihood at the estimate."""
    if fit.mu is None:
        raise ScienceError("Only a fit with a mean rate has a likelihood to check.")
    problem = OneStageProblem(looks, fit.residual)
    likelihood = CellLikelihood(problem.cells, problem.nu)
    assert fit.lag is not None
    theta = problem.layout.theta(psi_of(fit, problem.layout), fit.lag.days)
    theta = Theta(theta.lag, theta.a, theta.b, theta.tau2, fit.mu)
    found = evaluate(likelihood, theta, problem.leaf_rates(fit))

    def by_leaf(eta: FloatArray) -> FloatArray:
        return likelihood.by_leaf(eta, theta.lag, theta.a, theta.b)

    mode = found.mode
    exact = quadrature_loglik(by_leaf, fit.mu, mode.node_sums, mode.sweep, n_nodes)
    return found.criterion - exact
