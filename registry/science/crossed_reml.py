"""REML of a mean with known sampling variances and crossed random effects, for some dozens of rows.

    y ~ N(μ·1, V),   V = diag(v) + Σ_j τ_j² Z_j Z_jᵀ,   Z_j the indicator of factor j's levels

    ℓ_R = −½ [ log|V| + log(1ᵀV⁻¹1) + (y−μ̂)ᵀV⁻¹(y−μ̂) ],   μ̂ = 1ᵀV⁻¹y / 1ᵀV⁻¹1
    P   = V⁻¹ − V⁻¹11ᵀV⁻¹ / 1ᵀV⁻¹1
    ∂ℓ_R/∂τ_j² = −½ [ tr(P V_j) − yᵀP V_j P y ],  V_j = Z_j Z_jᵀ
    observed information  I_ij = yᵀP V_i P V_j P y − ½ tr(P V_i P V_j);  average ½ yᵀP V_i P V_j P y

Dense, O(n³) a step: rows are sites of released trials, not bags. A climb by a bounded quasi-Newton
from several starts, then Newton with an active set. A factor whose levels are all alone,
or of which there is one, adds a plain variance or a constant; whether it can be told apart is for
the caller to say.

Reference: Harville (1977) J. Am. Stat. Assoc. 72, 320–338.
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
    """`tau2` (n_factors,) in the order of the factors; `criterion` is ℓ_R without its constant."""

    mu: float
    standard_error: float
    tau2: FloatArray
    criterion: float
    n_evaluations: int

    @property
    def at_boundary(self) -> bool:
        return bool((self.tau2 == 0.0).any())


def fit_crossed(
    effect: FloatArray, variance: FloatArray, factors: Sequence[IntArray]
) -> CrossedFit:
    """Fit the model.

    Parameters
    ----------
    effect, variance : (n,) y, and v > 0.
    factors : codes (n,) from 0 of each random effect.

    Raises
    ------
    FitDidNotConverge
    """
    problem = _Problem(effect, variance, factors)
    best = _climb(problem)
    tau2 = _polished(problem, best)
    state = problem.at(tau2)
    return CrossedFit(
        mu=state.mu,
        standard_error=state.standard_error,
        tau2=tau2,
        criterion=state.criterion,
        n_evaluations=problem.n_evaluations,
    )


@dataclass(frozen=True)
class _State:
    mu: float
    standard_error: float
    criterion: float
    gradient: FloatArray
    information: FloatArray
    average: FloatArray


class _Problem:
    """The criterion as a function of τ²."""

    def __init__(
        self, effect: FloatArray, variance: FloatArray, factors: Sequence[IntArray]
    ) -> None:
        self.effect = np.asarray(effect, dtype=float)
        self.variance = np.asarray(variance, dtype=float)
        # Same level or not: V_j.
        self.blocks = np.array([np.equal.outer(codes, codes) for codes in factors], dtype=float)
        self.scale = max(float(np.var(self.effect)), float(self.variance.mean()))
        self.n_evaluations = 0

    def at(self, tau2: FloatArray) -> _State:
        self.n_evaluations += 1
        v = np.diag(self.variance) + np.tensordot(tau2, self.blocks, axes=1)
        factor = cho_factor(v, lower=True)
        inverse = cho_solve(factor, np.eye(len(v)))
        u = inverse.sum(axis=1)
        total = float(u.sum())
        mu = float(u @ self.effect) / total
        p = inverse - np.outer(u, u) / total
        e = p @ self.effect
        pv = np.array([p @ block for block in self.blocks])
        ve = np.array([block @ e for block in self.blocks])
        log_det = 2.0 * float(np.log(np.diag(factor[0])).sum())
        criterion = -0.5 * (log_det + np.log(total) + float(self.effect @ e))
        gradient = -0.5 * (np.trace(pv, axis1=1, axis2=2) - ve @ e)
        traces = np.einsum("iab,jba->ij", pv, pv)
        curved = ve @ p @ ve.T
        return _State(
            mu, total**-0.5, float(criterion), gradient, curved - 0.5 * traces, 0.5 * curved
        )


def _climb(problem: _Problem) -> FloatArray:
    """The best of several bounded climbs, in units of the spread of the effects."""

    def descend(share: FloatArray) -> tuple[float, FloatArray]:
        state = problem.at(share * problem.scale)
        return -state.criterion, -state.gradient * problem.scale

    n = len(problem.blocks)
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
            return tau2
        for halving in range(MOST_HALVINGS):
            moved = np.clip(tau2 + step * 0.5**halving, 0.0, MOST_SPREAD * problem.scale)
            after = problem.at(moved)
            if after.criterion >= state.criterion - ROUNDING:
                break
        else:
            raise FitDidNotConverge("The spread between trials and sites could not be estimated.")
        if np.array_equal(moved, tau2):
            return tau2
        tau2, state = moved, after
    raise FitDidNotConverge("The spread between trials and sites could not be estimated.")


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
