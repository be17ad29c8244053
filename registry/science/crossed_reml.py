"""REML with known sampling variances, moderators and crossed random effects.

    y ~ N(X·β, V),   V = diag(v) + Σ_j τ_j² Z_j Z_jᵀ,   Z_j the indicator of factor j's levels

    P   = V⁻¹ − V⁻¹X(XᵀV⁻¹X)⁻¹XᵀV⁻¹,   e = P y,   V_j = Z_j Z_jᵀ
    ℓ_R = −½ [ log|V| + log|XᵀV⁻¹X| + yᵀe ]
    ∂ℓ_R/∂τ_j² = −½ [ tr(P V_j) − eᵀV_j e ]
    observed information  I_ij = eᵀV_i P V_j e − ½ tr(P V_i P V_j);  average ½ eᵀV_i P V_j e

A factor whose levels are all alone adds to the diagonal: D = diag(v + τ_alone²). With the other
factors' columns scaled, T = [Z_1·τ_1 … X], and C = (TᵀD⁻¹T + diag(1 … 0))⁻¹:

    P = D⁻¹ − D⁻¹T C TᵀD⁻¹,   log|V| + log|XᵀV⁻¹X| = log|D| − log|C|,   β̂ and its covariance in C

so that a step costs rows × levels², and no matrix of the size of the rows is made. A climb by a
bounded quasi-Newton from several starts, then Newton with an active set. A factor of one level
adds a constant; whether factors can be told apart is for the caller to say.

References: Harville (1977) J. Am. Stat. Assoc. 72, 320–338; Henderson (1975) Biometrics 31, 423–447
(the equations whose inverse is C).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from registry.science.types import BoolArray, FitDidNotConverge, FloatArray, IntArray

# Shares of the spread of the effects at which the climbs begin.
STARTS = (0.05, 0.5)
MOST_STEPS = 100
# In units of the spread of the effects; a variance component beyond it is a step gone astray.
MOST_SPREAD = 100.0
MOST_HALVINGS = 40
NOTHING_TO_GAIN = 1e-14
# Of the criterion, over a few dozen rows.
ROUNDING = 1e-12
# Keeps the step finite where two effects cannot be told apart.
RIDGE = 1e-9


@dataclass(frozen=True)
class CrossedFit:
    """`beta` (p,) with its `covariance` (p, p); `tau2` (n_factors,) in the order of the factors.

    `criterion` is ℓ_R without its constant.
    """

    beta: FloatArray
    covariance: FloatArray
    tau2: FloatArray
    criterion: float
    n_evaluations: int

    @property
    def mu(self) -> float:
        """The first coefficient: the mean, where nothing else is fitted."""
        return float(self.beta[0])

    @property
    def standard_error(self) -> float:
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def at_boundary(self) -> bool:
        return bool((self.tau2 == 0.0).any())


def fit_crossed(
    effect: FloatArray,
    variance: FloatArray,
    factors: Sequence[IntArray],
    design: FloatArray | None = None,
) -> CrossedFit:
    """Fit the model.

    Parameters
    ----------
    effect, variance : (n,) y, and v > 0.
    factors : codes (n,) from 0 of each random effect.
    design : (n, p) X of full rank; a column of ones by default.

    Raises
    ------
    FitDidNotConverge
    """
    problem = _Problem(effect, variance, factors, design)
    tau2 = _polished(problem, _climb(problem)) if factors else np.zeros(0)
    state = problem.at(tau2)
    return CrossedFit(
        beta=problem.ordinary + state.beta,
        covariance=state.covariance,
        tau2=tau2,
        criterion=state.criterion,
        n_evaluations=problem.n_evaluations,
    )


@dataclass(frozen=True)
class _State:
    beta: FloatArray
    covariance: FloatArray
    criterion: float
    gradient: FloatArray
    information: FloatArray
    average: FloatArray


class _Problem:
    """The criterion as a function of τ². `alone` marks the factors on the diagonal."""

    def __init__(
        self,
        effect: FloatArray,
        variance: FloatArray,
        factors: Sequence[IntArray],
        design: FloatArray | None,
    ) -> None:
        y = np.asarray(effect, dtype=float)
        self.variance = np.asarray(variance, dtype=float)
        self.design = np.ones((len(y), 1)) if design is None else np.asarray(design, dtype=float)
        # Least squares first: what is left is small, and so is what rounding takes of it.
        self.ordinary = np.linalg.lstsq(self.design, y, rcond=None)[0]
        self.effect = y - self.design @ self.ordinary
        levels = [int(codes.max()) + 1 for codes in factors]
        self.alone = np.array([n == len(y) for n in levels], dtype=bool)
        self.blocks = [
            np.equal.outer(codes, np.arange(n)).astype(float)
            for codes, n, alone in zip(factors, levels, self.alone, strict=True)
            if not alone
        ]
        self.z = np.hstack([np.zeros((len(y), 0)), *self.blocks])
        self.owner = np.repeat(
            np.flatnonzero(~self.alone), [block.shape[1] for block in self.blocks]
        )
        self.scale = max(float(np.var(self.effect)), float(self.variance.mean()))
        self.n_evaluations = 0

    @property
    def n_factors(self) -> int:
        return len(self.alone)

    def at(self, tau2: FloatArray) -> _State:
        self.n_evaluations += 1
        d = self.variance + tau2[self.alone].sum()
        q = self.z.shape[1]
        t = np.hstack([self.z * np.sqrt(tau2[self.owner]), self.design])
        a = t / d[:, None]
        normal = t.T @ a
        normal[np.arange(q), np.arange(q)] += 1.0
        factor = cho_factor(normal, lower=True)
        c = cho_solve(factor, np.eye(len(normal)))
        coefficients = c @ (a.T @ self.effect)
        e = (self.effect - t @ coefficients) / d
        log_det = float(np.log(d).sum() + 2.0 * np.log(np.diag(factor[0])).sum())
        traces, pairs = self._traces(d, a, c)
        ve = self._times_blocks(e)
        pve = (ve - t @ (c @ (a.T @ ve))) / d[:, None]
        curved = ve.T @ pve
        return _State(
            beta=coefficients[q:],
            covariance=c[q:, q:],
            criterion=-0.5 * (log_det + float(self.effect @ e)),
            gradient=-0.5 * (traces - ve.T @ e),
            information=curved - 0.5 * pairs,
            average=0.5 * curved,
        )

    def _times_blocks(self, e: FloatArray) -> FloatArray:
        """V_j e of every factor, (n, n_factors)."""
        columns = np.tile(e[:, None], (1, self.n_factors))
        for j, block in zip(np.flatnonzero(~self.alone), self.blocks, strict=True):
            columns[:, j] = block @ (block.T @ e)
        return columns

    def _traces(self, d: FloatArray, a: FloatArray, c: FloatArray) -> tuple[FloatArray, FloatArray]:
        """tr(P V_j), (n_factors,), and tr(P V_i P V_j), (n_factors, n_factors)."""
        pz = self.z / d[:, None] - a @ (c @ (a.T @ self.z))
        zpz = self.z.T @ pz
        gram = a.T @ a
        cg = c @ gram
        whole = float((1.0 / d).sum() - np.trace(cg))
        square = float(
            (1.0 / d**2).sum()
            - 2.0 * np.einsum("ij,nj,ni,n->", c, a, a, 1.0 / d, optimize=True)
            + np.sum(cg * cg.T)
        )
        n = self.n_factors
        # Sums over the levels of a factor, by an indicator of who owns a column.
        owned = np.equal.outer(np.arange(n), self.owner).astype(float)
        traces = owned @ np.diag(zpz)
        pairs = owned @ zpz**2 @ owned.T
        beside = owned @ (pz**2).sum(axis=0)
        for j in np.flatnonzero(self.alone):
            traces[j] = whole
            pairs[j, :] = pairs[:, j] = beside
            pairs[np.ix_(np.flatnonzero(self.alone), [j])] = square
        return traces, pairs


def _climb(problem: _Problem) -> FloatArray:
    """The best of several bounded climbs, in units of the spread of the effects."""

    def descend(share: FloatArray) -> tuple[float, FloatArray]:
        state = problem.at(share * problem.scale)
        return -state.criterion, -state.gradient * problem.scale

    n = problem.n_factors
    bounds = [(0.0, None)] * n
    ends = [
        minimize(
            descend,
            np.full(n, start),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 500},
        )
        for start in STARTS
    ]
    return np.asarray(min(ends, key=lambda end: end.fun).x * problem.scale)


def _polished(problem: _Problem, tau2: FloatArray) -> FloatArray:
    """Newton on τ² ≥ 0 with halving; a component at zero with a falling criterion stays there."""
    state = problem.at(tau2)
    for _ in range(MOST_STEPS):
        free = (tau2 > 0.0) | (state.gradient > 0.0)
        if not free.any():
            return tau2
        step = _newton_step(state, free)
        # Half the squared Newton decrement: what the criterion could still gain, to second order.
        if 0.5 * float(step @ state.gradient) < NOTHING_TO_GAIN and not _leaves(tau2, step):
            # Taken all the same: it doubles the digits.
            return np.asarray(np.maximum(tau2 + step, 0.0))
        for halving in range(MOST_HALVINGS):
            moved = np.clip(tau2 + step * 0.5**halving, 0.0, MOST_SPREAD * problem.scale)
            after = problem.at(moved)
            if after.criterion >= state.criterion - ROUNDING:
                break
        else:
            raise FitDidNotConverge("The spread of the random effects could not be estimated.")
        if np.array_equal(moved, tau2):
            return tau2
        tau2, state = moved, after
    raise FitDidNotConverge("The spread of the random effects could not be estimated.")


def _leaves(tau2: FloatArray, step: FloatArray) -> bool:
    """Whether the step takes a component to zero that is not there yet."""
    return bool(((tau2 > 0.0) & (tau2 + step <= 0.0)).any())


def _newton_step(state: _State, free: BoolArray) -> FloatArray:
    """With the observed information, or the average one where that is not a hill."""
    chosen = np.ix_(free, free)
    information = state.information[chosen]
    if float(np.linalg.eigvalsh(information)[0]) <= 0.0:
        information = state.average[chosen] + RIDGE * np.diag(np.diag(state.average[chosen]))
    step = np.zeros(len(free))
    # Least squares, since two effects with the same levels leave no slope between them.
    step[free] = np.linalg.lstsq(information, state.gradient[free], rcond=None)[0]
    return step
