"""Nested adaptive Gauss-Hermite quadrature: the check on Laplace's approximation.

The marginal likelihood of a site is a nest of one-dimensional integrals, site outside, leaf inside.
At each level the nodes stand where the effect is expected given everything above it: at the joint
mode the effect is ê and the offset above it ô; at another offset o it is expected at
ê − (o − ô)·A·v with variance v = τ²/(1 + τ²A), A the information below (Pinheiro & Bates 1995,
J. Comput. Graph. Stat. 4, 12-35, for one level). One node is Laplace's approximation but for the
inner modes not being found again.
"""

import numpy as np

from registry.science.one_stage.laplace import Mode, Theta
from registry.science.one_stage.likelihood import CellLikelihood
from registry.science.types import FloatArray


def quadrature_loglik(
    likelihood: CellLikelihood, theta: Theta, mode: Mode, n_nodes: int = 9
) -> float:
    """Marginal log-likelihood at `theta` (its mean given) with `n_nodes` per effect.

    Parameters
    ----------
    mode : joint mode at `theta`, from `laplace.evaluate`.
    """
    assert theta.mean is not None
    nodes, weights = np.polynomial.hermite.hermgauss(n_nodes)
    log_weights = np.log(weights) + nodes**2
    nest = likelihood.cells.nest
    offsets = _offsets_at_mode(theta, mode)

    def integrate(level: int, offset: FloatArray) -> FloatArray:
        """log ∫ N(e; 0, τ²)·exp(what lies below) de for each node of `level`."""
        tau2 = float(theta.tau2[level])
        if tau2 == 0.0:
            return below(level, offset)
        information, u = mode.sweep.information[level], mode.sweep.inflation[level]
        spread = np.sqrt(tau2 / u)
        expected = tau2 * mode.node_sums[level]
        centre = expected - (offset - offsets[level]) * information * tau2 / u
        terms = []
        for x, log_weight in zip(nodes, log_weights, strict=True):
            effect = centre + np.sqrt(2.0) * spread * x
            prior = -0.5 * effect**2 / tau2 - 0.5 * np.log(2.0 * np.pi * tau2)
            volume = log_weight + np.log(np.sqrt(2.0) * spread)
            terms.append(prior + volume + below(level, offset + effect))
        return np.logaddexp.reduce(terms, axis=0)

    def below(level: int, total: FloatArray) -> FloatArray:
        if level == 0:
            return likelihood.by_leaf(total, theta.lag, theta.a, theta.b)
        inner = integrate(level - 1, nest.spread_down(level - 1, total))
        return nest.sum_up(level - 1, inner)

    top = nest.n_levels - 1
    return float(integrate(top, np.full(nest.sizes[top], theta.mean)).sum())


def _offsets_at_mode(theta: Theta, mode: Mode) -> list[FloatArray]:
    """Sum of mean and higher effects above each node, at the joint mode."""
    nest = mode.sweep.nest
    above = np.array([mode.mean])
    offsets: list[FloatArray] = []
    for level in reversed(range(nest.n_levels)):
        offset = nest.spread_down(level, above)
        offsets.append(offset)
        above = offset + theta.tau2[level] * mode.node_sums[level]
    return offsets[::-1]
