"""A second implementation of the mixed model: V written out, every formula as in the papers.

Slow and obvious on purpose; it shares no code with the engine.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize


def covariance(
    groups: list[np.ndarray], variances: np.ndarray
) -> tuple[list[np.ndarray], np.ndarray]:
    """G_i (residual first) and V = Σ θ_i G_i; `groups` has one label array per random term."""
    n = len(groups[0])
    g = [np.eye(n)] + [(labels[:, None] == labels[None, :]).astype(float) for labels in groups]
    return g, sum(v * gi for v, gi in zip(variances, g, strict=True))


def criterion(y, x, groups, variances, reml=True) -> float:
    """−2 log (restricted) likelihood at given variances, residual first."""
    _, v = covariance(groups, variances)
    n, p = x.shape
    w = np.linalg.inv(v)
    xwx = x.T @ w @ x
    beta = np.linalg.solve(xwx, x.T @ w @ y)
    rest = y - x @ beta
    value = np.linalg.slogdet(v)[1] + rest @ w @ rest + (n - p if reml else n) * np.log(2 * np.pi)
    return value + (np.linalg.slogdet(xwx)[1] if reml else 0.0)


def minimise(y, x, groups, reml=True) -> tuple[float, np.ndarray]:
    """Lowest criterion over variances, residual > 0 and the rest >= 0, from several starts."""
    scale = np.var(y - x @ np.linalg.lstsq(x, y, rcond=None)[0])
    best, at = np.inf, None
    for share in (0.3, 0.02):
        start = scale * np.array([1 - share * 0.5, *([share] * len(groups))])
        found = minimize(
            lambda v: criterion(y, x, groups, v * scale, reml),
            start / scale,
            method="L-BFGS-B",
            bounds=[(1e-8, None)] + [(0, None)] * len(groups),
            options={"ftol": 1e-14, "gtol": 1e-9, "maxiter": 500},
        )
        if found.fun < best:
            best, at = found.fun, found.x * scale
    return best, at


@dataclass
class DenseInference:
    beta: np.ndarray
    vcov: np.ndarray
    vcov_adjusted: np.ndarray
    kenward_roger_df: np.ndarray
    satterthwaite_df: np.ndarray
    gradient: np.ndarray


def inference(y, x, groups, variances, reml=True) -> DenseInference:
    """Everything about β at given variances, of components that vary (drop the others before)."""
    g, v = covariance(groups, variances)
    w = np.linalg.inv(v)
    c = np.linalg.inv(x.T @ w @ x)
    p = w - w @ x @ c @ x.T @ w
    k = len(g)
    pi = [-x.T @ w @ gi @ w @ x for gi in g]
    q = [[x.T @ w @ gi @ w @ gj @ w @ x for gj in g] for gi in g]
    expected = np.array([[np.trace(p @ gi @ p @ gj) for gj in g] for gi in g])
    m = p if reml else w
    observed = np.array(
        [[-np.trace(m @ gi @ m @ gj) + 2 * y @ p @ gi @ p @ gj @ p @ y for gj in g] for gi in g]
    )
    big_w = 2 * np.linalg.inv(expected)
    inner = sum(big_w[i, j] * (q[i][j] - pi[i] @ c @ pi[j]) for i in range(k) for j in range(k))
    slope = np.array([[(c @ pi_i @ c)[a, a] for pi_i in pi] for a in range(len(c))])

    def df(covariance_of_theta):
        return 2 * np.diag(c) ** 2 / np.einsum("ai,ij,aj->a", slope, covariance_of_theta, slope)

    return DenseInference(
        beta=c @ x.T @ w @ y,
        vcov=c,
        vcov_adjusted=c + 2 * c @ inner @ c,
        kenward_roger_df=df(big_w),
        satterthwaite_df=df(2 * np.linalg.inv(observed)),
        gradient=np.array([np.trace(m @ gi) - y @ p @ gi @ p @ y for gi in g]),
    )
