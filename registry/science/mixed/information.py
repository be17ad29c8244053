"""Expected and observed information about the variance components, exactly.

In V = Σ_i θ_i G_i with θ_0 = σ² (residual, G_0 = I) and θ_k = σ² γ_k::

    expected   tr(P_V G_i P_V G_j)                        (times ½ is Fisher information)
    observed   −tr(P_V G_i P_V G_j) + 2 yᵀP_V G_i P_V G_j P_V y        P_V = P / σ²

the second being the Hessian of the criterion.
"""

from dataclasses import dataclass

import numpy as np

from registry.science.mixed.criterion import Evaluation, Method, Moments
from registry.science.types import FloatArray


@dataclass(frozen=True)
class Information:
    """What degrees of freedom are made of; index 0 is the residual, then the terms kept.

    Attributes
    ----------
    names : (I,) component names.
    theta : (I,) variances.
    vcov : (p, p) (Xᵀ V⁻¹ X)⁻¹.
    pi : (I, p, p) Xᵀ V⁻¹ G_i V⁻¹ X.
    rho : (I, I, p, p) Xᵀ V⁻¹ G_i V⁻¹ G_j V⁻¹ X.
    expected : (I, I) tr(P_V G_i P_V G_j), whatever the method.
    observed : (I, I) Hessian of the criterion of `method` in θ.
    """

    names: tuple[str, ...]
    theta: FloatArray
    vcov: FloatArray
    pi: FloatArray
    rho: FloatArray
    expected: FloatArray
    observed: FloatArray


def information(
    at: Evaluation, moments: Moments, names: tuple[str, ...], method: Method
) -> Information:
    """Information at the optimum `at`, for all its terms (see `Information.without`)."""
    c, sigma2 = at.c, at.sigma2
    expected = projected_traces(moments, c)
    trace = expected if method == "reml" else moments.phi
    a = quadratics(at)
    return Information(
        names=("residual", *names),
        theta=sigma2 * np.append(1.0, at.gamma),
        vcov=sigma2 * c,
        pi=moments.s / sigma2**2,
        rho=moments.m / sigma2**3,
        expected=expected / sigma2**2,
        observed=(2 * a / sigma2 - trace) / sigma2**2,
    )


def keep(info: Information, index: list[int]) -> Information:
    """Only the components in `index`."""
    pick = np.ix_(index, index)
    return Information(
        names=tuple(info.names[i] for i in index),
        theta=info.theta[index],
        vcov=info.vcov,
        pi=info.pi[index],
        rho=info.rho[pick],
        expected=info.expected[pick],
        observed=info.observed[pick],
    )


def projected_traces(moments: Moments, c: FloatArray) -> FloatArray:
    """tr(P G_i P G_j) = φ_ij − 2 tr(C m_ij) + tr(C s_i C s_j)."""
    cs = c @ moments.s
    return (
        moments.phi - 2 * np.einsum("ab,ijba->ij", c, moments.m) + np.einsum("iab,jba->ij", cs, cs)
    )


def observed_curvature(at: Evaluation, moments: Moments, method: Method) -> FloatArray:
    """(K, K) exact second derivatives of the profiled criterion in γ."""
    trace = projected_traces(moments, at.c) if method == "reml" else moments.phi
    a, b = at.slopes.a, at.slopes.b
    return at.dof * (2 * a / at.q - np.outer(b, b) / at.q**2) - trace[1:, 1:]


def quadratics(at: Evaluation) -> FloatArray:
    """(I, I) yᵀP G_i P G_j P y with the residual in front."""
    gamma, a, b = at.gamma, at.slopes.a, at.slopes.b
    a_0 = b - gamma @ a
    a_00 = at.q - gamma @ b - gamma @ a_0
    return np.block([[a_00, a_0], [a_0[:, None], a]])
