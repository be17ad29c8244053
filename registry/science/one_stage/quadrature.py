"""Nested adaptive Gauss-Hermite quadrature: the check on Laplace's approximation.

The marginal likelihood of a site is a nest of one-dimensional integrals, site outside, leaf inside.
At each level the nodes stand where the effect is expected given everything above it: at the joint
mode the effect is ê and the offset above it ô; at another offset o it is expected at
ê − (o − ô)·A·v with variance v = τ²/(1 + τ²A), A the information below (Pinheiro & Bates 1995,
J. Comput. Graph. Stat. 4, 12-35, for one level). One node is Laplace's approximation but for the
inner modes not being found again.
"""

from collections.abc import Callable, Sequence

import numpy as np

from registry.science.one_stage.nest import Sweep
from registry.science.types import FloatArray

# (n_leaves,) log-likelihood of the leaves' looks at given (n_leaves,) total effects.
ByLeaf = Callable[[FloatArray], FloatArray]


def quadrature_loglik(
    by_leaf: ByLeaf,
    mean: float,
    node_sums: Sequence[FloatArray],
    sweep: Sweep,
    n_nodes: int = 9,
) -> float:
    """Marginal log-likelihood with `n_nodes` per effect.

    Parameters
    ----------
    by_leaf : log-likelihood of each leaf at its total effect.
    mean : what all effects add to.
    node_sums, sweep : of the joint mode at this mean and these variances.
    """
    nodes, weights = np.polynomial.hermite.hermgauss(n_nodes)
    log_weights = np.log(weights) + nodes**2
    nest, variances = sweep.nest, sweep.tau2
    offsets = _offsets_at_mode(mean, node_sums, sweep)

    def integrate(level: int, offset: FloatArray) -> FloatArray:
        """log ∫ N(e; 0, τ²)·exp(what lies below) de for each node of `level`."""
        tau2 = float(variances[level])
        if tau2 == 0.0:
            return below(level, offset)
        information, u = sweep.information[level], sweep.inflation[level]
        spread = np.sqrt(tau2 / u)
        expected = tau2 * node_sums[level]
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
            return by_leaf(total)
        inner = integrate(level - 1, nest.spread_down(level - 1, total))
        return nest.sum_up(level - 1, inner)

    top = nest.n_levels - 1
    return float(integrate(top, np.full(nest.sizes[top], mean)).sum())


def _offsets_at_mode(
    mean: float, node_sums: Sequence[FloatArray], sweep: Sweep
) -> list[FloatArray]:
    """Sum of mean and higher effects above each node, at the joint mode."""
    above = np.array([mean])
    offsets: list[FloatArray] = []
    for level in reversed(range(sweep.nest.n_levels)):
        offset = sweep.nest.spread_down(level, above)
        offsets.append(offset)
        above = offset + sweep.tau2[level] * node_sums[level]
    return offsets[::-1]
