"""Expected and observed information about the variance components, exactly.

In V = Σ_i θ_i G_i with θ_0 = σ² (residual, G_0 = I) and θ_k = σ² γ_k::

    expected   tr(P_V G_i P_V G_j)                        (times ½ is Fisher information)
    observed   −tr(P_V G_i P_V G_j) + 2 yᵀP_V G_i P_V G_j P_V y        P_V = P / σ²

the second being the Hessian of the criterion. Only quantities with a random term need computing;
those with the residual follow from  I = H − Σ_k γ_k G_k,  for example

    tr(H⁻¹ H⁻¹ G_l) = tr(H⁻¹ G_l) − Σ_k γ_k tr(H⁻¹ G_k H⁻¹ G_l).
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
    at: Evaluation, moments: Moments, n: int, names: tuple[str, ...], method: Method
) -> Information:
    """Information at the optimum `at`, for all its terms (see `Information.without`)."""
    full = with_residual(moments, at, n)
    c, sigma2 = at.c, at.sigma2
    expected = projected_traces(full, c)
    trace = expected if method == "reml" else full.phi
    a = quadratics(at)
    return Information(
        names=("residual", *names),
        theta=sigma2 * np.append(1.0, at.gamma),
        vcov=sigma2 * c,
        pi=full.s / sigma2**2,
        rho=full.m / sigma2**3,
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


def with_residual(moments: Moments, at: Evaluation, n: int) -> Moments:
    """Put the residual in front of the random terms, by I = H − Σ γ_k G_k."""
    gamma = at.gamma
    xhx = np.linalg.inv(at.c)
    trace_0 = n - gamma @ moments.trace_f
    phi_0 = moments.trace_f - gamma @ moments.phi
    phi_00 = trace_0 - gamma @ phi_0
    s_0 = xhx - np.tensordot(gamma, moments.s, 1)
    m_0 = moments.s - np.tensordot(gamma, moments.m, 1)
    m_00 = s_0 - np.tensordot(gamma, m_0, 1)
    top = np.concatenate([m_00[None], m_0])
    left = m_0.transpose(0, 2, 1)
    m = np.concatenate([top[None], np.concatenate([left[:, None], moments.m], axis=1)])
    return Moments(
        trace_f=np.append(trace_0, moments.trace_f),
        phi=np.block([[phi_00, phi_0], [phi_0[:, None], moments.phi]]),
        s=np.concatenate([s_0[None], moments.s]),
        m=m,
    )


def projected_traces(moments: Moments, c: FloatArray) -> FloatArray:
    """tr(P G_i P G_j) = φ_ij − 2 tr(C m_ij) + tr(C s_i C s_j)."""
    cs = c @ moments.s
    return (
        moments.phi - 2 * np.einsum("ab,ijba->ij", c, moments.m) + np.einsum("iab,jba->ij", cs, cs)
    )


def quadratics(at: Evaluation) -> FloatArray:
    """(I, I) yᵀP G_i P G_j P y with the residual in front."""
    gamma, a, b = at.gamma, at.slopes.a, at.slopes.b
    a_0 = b - gamma @ a
    a_00 = at.q - gamma @ b - gamma @ a_0
    return np.block([[a_00, a_0], [a_0[:, None], a]])
