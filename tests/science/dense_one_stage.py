"""A second, slow and obvious implementation of the one-stage criterion, with dense matrices.

Every bag is visited, densities come from scipy.stats, derivatives of each leaf's likelihood are
numerical, effects are standard normal deviates z with η = m + Z z, and the integral over z (and m,
when flat) is Laplace's with a dense Hessian.
"""

import numpy as np
from scipy import stats


def leaf_loglik(eta, leaf, trial, lag, a, b, nu=None):
    """(n_leaves,) log-likelihood of all bags of each leaf at its own η."""
    f = np.exp(-np.exp(eta[leaf]) * np.maximum(0.0, trial["day"] - lag))
    sd = np.sqrt(a + b * f**2)
    law = stats.norm if nu is None else stats.t(nu)
    seen = law.logpdf((trial["remaining"] - f) / sd) - np.log(sd)
    if trial.get("cut") is not None:
        seen = seen - law.logcdf((trial["cut"] - f) / sd)
    gone = law.logcdf((trial["detection_limit"] - f) / sd)
    return np.bincount(leaf, np.where(trial["censored"], gone, seen), len(eta))


def incidence(trial, taus):
    """Leaf codes, (n_leaves, n_effects) Z with every column times its SD; taus leaf first."""
    keys = [trial["pile"], trial["site"]]
    if trial["bag"] is not None:
        keys.insert(0, trial["bag"])
    _, first, leaf = np.unique(keys[0], return_index=True, return_inverse=True)
    blocks = []
    for key, tau in zip(keys, taus, strict=True):
        _, code = np.unique(key[first], return_inverse=True)
        blocks.append(tau * np.eye(code.max() + 1)[code])
    return leaf, np.hstack(blocks)


def laplace_criterion(trial, lag, a, b, taus, mean=None, nu=None, start=-3.5):
    """Laplace log-likelihood at `mean`, or with the mean flat and integrated."""
    leaf, z_matrix = incidence(trial, taus)
    x_matrix = z_matrix if mean is not None else np.column_stack([z_matrix, np.ones(len(z_matrix))])
    offset = mean if mean is not None else 0.0
    penalty = np.ones(x_matrix.shape[1])
    x = np.zeros(x_matrix.shape[1])
    if mean is None:
        penalty[-1], x[-1] = 0.0, start

    def of(eta):
        return leaf_loglik(eta, leaf, trial, lag, a, b, nu)

    def height(x):
        return of(offset + x_matrix @ x).sum() - 0.5 * penalty @ x**2

    for _ in range(200):
        eta = offset + x_matrix @ x
        h = 1e-4
        first = (8 * (of(eta + h) - of(eta - h)) - (of(eta + 2 * h) - of(eta - 2 * h))) / (12 * h)
        h = 1e-3
        second = (
            16 * (of(eta + h) + of(eta - h)) - (of(eta + 2 * h) + of(eta - 2 * h)) - 30 * of(eta)
        ) / (12 * h**2)
        gradient = x_matrix.T @ first - penalty * x
        hessian = x_matrix.T @ (-second[:, None] * x_matrix) + np.diag(penalty)
        values, vectors = np.linalg.eigh(hessian)
        step = vectors @ ((vectors.T @ gradient) / np.maximum(np.abs(values), 1e-8))
        step *= min(1.0, 1.0 / np.max(np.abs(x_matrix @ step), initial=1e-300))
        while height(x + step) < height(x) - 1e-9 and np.max(np.abs(step)) > 1e-12:
            step = 0.5 * step
        x = x + step
        if np.max(np.abs(step)) < 1e-9:
            break
    assert values.min() > 0.0
    flat = 0.5 * np.log(2 * np.pi) if mean is None else 0.0
    return height(x) - 0.5 * np.log(values).sum() + flat
