"""Normal effects nested in one another, and the algebra that never builds a matrix.

Model and symbols
-----------------
Every observation sees one total effect η of its *leaf* (a pile, or a bag that is looked at again):

    η = m + Σ_j e_j,     e_j ~ N(0, τ_j²) independent,     level 0 = leaf, last level = site

    V   covariance of η − m: block-diagonal by site, never formed
    D   diagonal of the observed information −ℓ''(η) of the leaves
    q   = V⁻¹(η − m), the score of the leaves at the mode
    N   = sums of q in each node of a level;   η − m = Σ_j τ_j² N_j

Because each node has one parent, all that is needed of (I + D V) follows from sweeps through the
levels (Sherman-Morrison, level by level; for two levels: Searle, Casella & McCulloch 1992,
Variance Components, appendix M.5):

    up      A_0 = D,   A_{j+1} = Σ_children A_j / (1 + τ_j² A_j)
    log det (I + V D) = Σ_j Σ_nodes log(1 + τ_j² A_j)

A_j is the information the data below a node hold on the node's total effect. Where m carries a flat
prior (the REML-like form) the last sum A_root is its information, and −½ log A_root joins the
criterion. Nothing divides by a variance, so τ_j = 0 needs no special case.
"""

from dataclasses import dataclass

import numpy as np

from registry.science.types import FloatArray, IntArray


def sum_by(group: IntArray, values: FloatArray, n_groups: int) -> FloatArray:
    """(n_groups,) sums of `values` by group code."""
    return np.bincount(group, values, n_groups).astype(np.float64, copy=False)


@dataclass(frozen=True)
class Nest:
    """Which node of the next level each node belongs to.

    Attributes
    ----------
    parents : one (n_nodes of level j,) code array per level but the last; the last level's nodes
        (sites) all belong to the root.
    sizes : number of nodes of each level, leaf first.
    """

    parents: tuple[IntArray, ...]
    sizes: tuple[int, ...]

    @property
    def n_levels(self) -> int:
        return len(self.sizes)

    def sum_up(self, level: int, values: FloatArray) -> FloatArray:
        """Sums of a level's node values in the nodes of the next level (the root: one number)."""
        if level == self.n_levels - 1:
            return np.array([values.sum()])
        return sum_by(self.parents[level], values, self.sizes[level + 1])

    def spread_down(self, level: int, values: FloatArray) -> FloatArray:
        """Each node's value of its parent, for the nodes of `level`."""
        if level == self.n_levels - 1:
            return np.full(self.sizes[level], values[0])
        return values[self.parents[level]]

    def top_of_leaf(self) -> IntArray:
        """(n_leaves,) site of each leaf."""
        return self.top_of(0)

    def top_of(self, level: int) -> IntArray:
        """Site of each node of a level."""
        top = np.arange(self.sizes[level])
        for parent in self.parents[level:]:
            top = parent[top]
        return top

    def by_site(self, level: int, values: FloatArray) -> FloatArray:
        """(n_sites,) sums of a level's node values."""
        return sum_by(self.top_of(level), values, self.sizes[-1])


@dataclass(frozen=True)
class Sweep:
    """One upward sweep at given leaf information: see the module's text for A and U = 1 + τ²A."""

    nest: Nest
    tau2: FloatArray
    information: tuple[FloatArray, ...]  # A_j, one array per level
    inflation: tuple[FloatArray, ...]  # U_j = 1 + τ_j² A_j
    root: float  # A_root

    @property
    def positive(self) -> bool:
        """Whether the penalised information is positive definite, as it is at a mode."""
        return self.root > 0.0 and all(u.min() > 0.0 for u in self.inflation)

    def log_det(self) -> float:
        """log det (I + V D)."""
        return float(sum(np.log(u).sum() for u in self.inflation))


def sweep_up(nest: Nest, tau2: FloatArray, leaf_information: FloatArray) -> Sweep:
    """The upward sweep; `tau2` has one variance per level, leaf first."""
    information, inflation = [leaf_information], []
    for level in range(nest.n_levels):
        inflation.append(1.0 + tau2[level] * information[level])
        information.append(nest.sum_up(level, information[level] / inflation[level]))
    root = float(information.pop()[0])
    return Sweep(nest, tau2, tuple(information), tuple(inflation), root)


def solve(
    sweep: Sweep, w: FloatArray, mean: float | None
) -> tuple[float, tuple[FloatArray, ...], FloatArray]:
    """q of (I + D V) q = w − D m, with m given, or (None) the m at which the q sum to zero.

    Returns m, the node sums N_j of q (N_0 = q itself) and m + V q at the leaves.
    """
    nest, tau2 = sweep.nest, sweep.tau2
    y = [w]
    for level in range(nest.n_levels):
        y.append(nest.sum_up(level, y[level] / sweep.inflation[level]))
    if mean is None:
        mean = float(y[-1][0]) / sweep.root
    above = np.array([mean])
    sums: list[FloatArray] = []
    for level in reversed(range(nest.n_levels)):
        offset = nest.spread_down(level, above)
        node = (y[level] - sweep.information[level] * offset) / sweep.inflation[level]
        sums.append(node)
        above = offset + tau2[level] * node
    return mean, tuple(reversed(sums)), above


def log_det_slopes(
    sweep: Sweep, flat_mean: bool
) -> tuple[tuple[FloatArray, ...], tuple[FloatArray, ...]]:
    """Derivatives of log det (I + V D) [+ log A_root] by τ_j² and by every node's A_j.

    Both by level, one value per node (those by τ_j² are to be summed). The second are the
    conditional variances of the nodes' total effects given the data; with a flat mean its
    uncertainty is included.
    """
    nest, tau2 = sweep.nest, sweep.tau2
    by_tau2: list[FloatArray] = []
    variance: list[FloatArray] = []
    above = np.array([1.0 / sweep.root if flat_mean else 0.0])
    for level in reversed(range(nest.n_levels)):
        info, u = sweep.information[level], sweep.inflation[level]
        from_above = nest.spread_down(level, above)
        share = info / u
        by_tau2.append(share - from_above * share**2)
        above = tau2[level] / u + from_above / u**2
        variance.append(above)
    return tuple(reversed(by_tau2)), tuple(reversed(variance))
