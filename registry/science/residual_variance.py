"""Residual variance V = a + b·f², pooled over the piles of a material.

a is the scatter of bags with almost nothing left (weighing, crumbs that pass the sieve); b·f² the
scatter that grows with what is left (pieces, moisture, position in the pile). Both are estimated by
the adjusted profile likelihood of `likelihood.variance_score`, by scoring on (log a, log b).
"""

from dataclasses import dataclass

import numpy as np

from registry.science.cells import Cells, sum_by
from registry.science.likelihood import variance_score
from registry.science.types import BoolArray, FloatArray, IntArray

# Weighing, drying and sieving never repeat better than 0.1 % of the start mass (common practice).
LEAST_A = 0.001**2
LEAST_B = 1e-8
# A standard deviation of half the start mass: no trial that scatters more can be read.
MOST = 0.5**2
# With fewer residual degrees of freedom a variance is not worth its name; borrow from the others.
MIN_FREEDOM = 10.0
# Bag-to-bag scatter when no material can tell: 5 % of the start mass (common practice, no source).
DEFAULT_A = 0.05**2
_LARGEST_STEP = 1.0
_NO_INFORMATION = 1e-3
_RIDGE = 1e-7


@dataclass(frozen=True)
class VarianceGroups:
    """Which materials share a residual variance.

    Attributes
    ----------
    of_material : (n_materials,) group code.
    estimable : (n_groups,) whether the group has enough residual degrees of freedom.
    borrowed : (n_materials,) whether the material is too thin to have its own.
    """

    of_material: IntArray
    estimable: BoolArray
    borrowed: BoolArray


def variance_groups(cells: Cells, unit_material: IntArray, n_materials: int) -> VarianceGroups:
    """Own variance for a material with enough bags; one common one for all the thin ones."""
    bags = sum_by(cells.unit, cells.count, cells.n_units)
    freedom = np.maximum(bags - 1.0, 0.0)
    per_material = sum_by(unit_material, freedom, n_materials)
    thin: BoolArray = per_material < MIN_FREEDOM
    of_material = np.where(thin, 0, np.cumsum(~thin))
    estimable = np.ones(int(of_material.max(initial=0)) + 1, dtype=bool)
    estimable[0] = per_material[thin].sum() >= MIN_FREEDOM
    return VarianceGroups(of_material, estimable, thin)


def first_variance(
    cells: Cells, unit_group: IntArray, groups: VarianceGroups
) -> tuple[FloatArray, FloatArray]:
    """Start values (n_groups,) from replicates of one pile and day; a plain guess without any."""
    n = len(groups.estimable)
    group = unit_group[cells.unit]
    freedom = sum_by(group, cells.count - 1.0, n)
    spread = sum_by(group, cells.within_ss, n)
    guess = np.divide(spread, freedom, out=np.full(n, DEFAULT_A), where=freedom > 0)
    guess = np.clip(guess, 4 * LEAST_A, MOST)
    a = np.where(groups.estimable, 0.5 * guess, DEFAULT_A)
    b = np.where(groups.estimable, 0.5 * guess, LEAST_B)
    return a, b


def step_variance(
    cells: Cells,
    theta: FloatArray,
    lag: FloatArray,
    a: FloatArray,
    b: FloatArray,
    unit_group: IntArray,
    groups: VarianceGroups,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """One scoring step of (log a, log b) of every group.

    Parameters
    ----------
    theta, lag : (n_units,). a, b : (n_groups,).

    Returns
    -------
    a, b : (n_groups,) after the step.
    moved : (n_groups,) length of the step in standard errors, 0 where not estimable.
    """
    score, info = variance_score(cells, theta, lag, a[unit_group], b[unit_group])
    n = len(a)
    s = np.column_stack([sum_by(unit_group, score[:, j], n) for j in range(2)])
    i = np.column_stack([sum_by(unit_group, info[:, j], n) for j in range(3)])
    x = np.log(np.column_stack([a, b]))
    low, high = np.log([LEAST_A, LEAST_B]), np.log(MOST)
    # A parameter at its bound that wants to go further is held; the other one moves alone.
    held = ((x <= low) & (s <= 0)) | ((x >= high) & (s >= 0))
    # So is one the bags say nothing about: b where nothing is left, a where everything is.
    held |= i[:, [0, 2]] < _NO_INFORMATION
    s = np.where(held, 0.0, s)
    # Where f hardly varies a and b cannot be told apart; the ridge keeps them where they are.
    ridge = _RIDGE * (i[:, 0] + i[:, 2]) + 1e-9
    aa, bb = i[:, 0] + ridge, i[:, 2] + ridge
    ab = np.where(held.any(axis=1), 0.0, i[:, 1])
    determinant = aa * bb - ab * ab
    step = np.column_stack(
        [(bb * s[:, 0] - ab * s[:, 1]) / determinant, (aa * s[:, 1] - ab * s[:, 0]) / determinant]
    )
    # Shortened as a whole: clipping one of two opposite steps would change their sum.
    step /= np.maximum(np.abs(step).max(axis=1, keepdims=True) / _LARGEST_STEP, 1.0)
    step = np.where(groups.estimable[:, None], step, 0.0)
    new = np.clip(x + step, low, high)
    # In units of standard errors: a drift along what the bags cannot tell is no movement.
    moved = np.sqrt(np.maximum((s * (new - x)).sum(axis=1), 0.0))
    return np.exp(new[:, 0]), np.exp(new[:, 1]), moved
