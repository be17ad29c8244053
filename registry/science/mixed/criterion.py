"""The profiled criterion, its exact gradient and its average-information curvature.

With q = yᵀPy, ν = n − p (REML) or n (ML), b_k = yᵀP G_k P y, a_kl = yᵀP G_k P G_l P y::

    ∂/∂γ_k   =  t_k − ν b_k / q                     t_k = tr(P G_k)  (REML)  or  tr(H⁻¹ G_k)  (ML)
    ∂²/∂γ²   =  −T_kl + ν (2 a_kl / q − b_k b_l / q²)

T_kl = tr(P G_k P G_l) is dear. At the optimum ν a_kl / q estimates it; putting that in its place
gives the average-information curvature ν (a_kl / q − b_k b_l / q²), which is never indefinite.

References
----------
Gilmour, Thompson & Cullis (1995) Biometrics 51, 1440-1450 (average information).
"""

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from registry.science.types import FloatArray, ScienceError

Method = Literal["reml", "ml"]

# The residual is "nothing" when it is below rounding of the response's own spread.
NO_RESIDUAL = 1e-14


class NoResidualVariation(ScienceError):
    """The fixed and random terms reproduce the values; the residual is nothing beside them."""


@dataclass(frozen=True)
class Sums:
    """Weighted sums at one γ; `y` is measured from a fixed offset X β₀ (see `Blocks.offset`).

    Attributes
    ----------
    log_det_h : log|H|.
    xhx : (p, p) Xᵀ H⁻¹ X.
    xhy : (p,) Xᵀ H⁻¹ y.
    """

    log_det_h: float
    xhx: FloatArray
    xhy: FloatArray


@dataclass(frozen=True)
class Slopes:
    """What needs β̂, for K random terms.

    Attributes
    ----------
    q : yᵀPy.
    trace_f : (K,) tr(F_kk) = tr(H⁻¹ G_k).
    trace_cs : (K,) tr(C E_kᵀ E_k).
    b : (K,) yᵀP G_k P y.
    a : (K, K) yᵀP G_k P G_l P y.
    """

    q: float
    trace_f: FloatArray
    trace_cs: FloatArray
    b: FloatArray
    a: FloatArray


@dataclass(frozen=True)
class Moments:
    """Exact second-order quantities at one γ; index 0 is the residual, then the K terms.

    Attributes
    ----------
    phi : (K + 1, K + 1) squared Frobenius norm of F_kl = tr(H⁻¹ G_k H⁻¹ G_l).
    s : (K + 1, p, p) E_kᵀ E_k = Xᵀ H⁻¹ G_k H⁻¹ X.
    m : (K + 1, K + 1, p, p) E_kᵀ F_kl E_l = Xᵀ H⁻¹ G_k H⁻¹ G_l H⁻¹ X.
    """

    phi: FloatArray
    s: FloatArray
    m: FloatArray


class Point(Protocol):
    """A model evaluated at one γ."""

    def sums(self) -> Sums: ...

    def slopes(self, beta: FloatArray, c: FloatArray) -> Slopes: ...

    def moments(self) -> Moments: ...

    def random_effects(self, beta: FloatArray) -> tuple[FloatArray, ...]: ...


class Blocks(Protocol):
    """Data and design, collapsed once, that can be evaluated at any γ."""

    @property
    def n(self) -> int: ...

    @property
    def offset(self) -> FloatArray: ...

    @property
    def spread(self) -> float: ...

    @property
    def terms(self) -> tuple[str, ...]: ...

    def at(self, gamma: FloatArray) -> Point: ...


@dataclass(frozen=True)
class Evaluation:
    """The criterion at one γ with its first and second derivatives.

    `beta` is measured from the blocks' offset; `c` is C; `q` is yᵀPy; `dof` is ν.
    """

    gamma: FloatArray
    criterion: float
    gradient: FloatArray
    curvature: FloatArray
    beta: FloatArray
    c: FloatArray
    q: float
    dof: int
    slopes: Slopes
    point: Point

    @property
    def sigma2(self) -> float:
        return self.q / self.dof


def evaluate(blocks: Blocks, gamma: FloatArray, method: Method) -> Evaluation:
    """Criterion, gradient and average-information curvature at `gamma`."""
    point = blocks.at(gamma)
    sums = point.sums()
    p = len(sums.xhy)
    factor = cho_factor(sums.xhx, lower=True)
    beta = cho_solve(factor, sums.xhy)
    c = cho_solve(factor, np.eye(p))
    slopes = point.slopes(beta, c)
    q = slopes.q
    if not q > NO_RESIDUAL * blocks.spread:
        raise NoResidualVariation("The terms of the model reproduce every value exactly.")
    dof = blocks.n - p if method == "reml" else blocks.n
    criterion = sums.log_det_h + dof * (1 + np.log(2 * np.pi * q / dof))
    if method == "reml":
        criterion += 2 * np.log(np.diag(factor[0])).sum()
    trace = slopes.trace_f - slopes.trace_cs if method == "reml" else slopes.trace_f
    gradient = trace - dof * slopes.b / q
    curvature = dof * (slopes.a / q - np.outer(slopes.b, slopes.b) / q**2)
    return Evaluation(gamma, float(criterion), gradient, curvature, beta, c, q, dof, slopes, point)
