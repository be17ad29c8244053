"""Log-likelihood of the cells of one material and its exact derivatives.

Model and symbols
-----------------
    m = e^η·T,  T = max(0, t − L)          f = e^(−m)       fraction remaining
    V = a + b f² + c                       variance of one bag's value, c known (ash correction)
    r = (y − f)/√V
    weighed bag    ℓ = −½ log V + G(r) − H((cut − f)/√V)
    censored bag   ℓ = H(r), y = LOD       (Tobin 1958, Econometrica 26, 24-36)

G is the log density of the residual, H its log distribution function (`residuals`). A bag heavier
than the cut is left out by rule, so one that stayed counts by its chance given that it was not cut:
without −H the others would look lighter than they are. A cell of n bags with mean ȳ and within sum
of squares W is, in the normal case, n(−½ log V + G((ȳ − f)/√V)) − W/(2V).

Derivatives go outwards: along f with V following (`along_f`) → η. T does not depend on η and
everything depends on L through m alone, hence ∂/∂L = −(1/T) ∂/∂η.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from registry.science.one_stage.along_f import Along, from_law, weighed_normal
from registry.science.one_stage.cells import Cells
from registry.science.one_stage.nest import sum_by
from registry.science.one_stage.residuals import residual_laws
from registry.science.types import FloatArray, IntArray

# Keeps e^η finite: a half-life of five seconds is past every look, so f is 0 beyond it anyway.
MAX_LOG_RATE = 9.0
# exp(−700) is the last power of e a double can hold; m³·f is then an exact zero, not inf·0.
MAX_EXPONENT = 700.0
# Standard deviations: Φ(7) differs from 1 by 1e-12, so a cut further away changes nothing. Tails of
# Student's law are heavier; T₄(300) differs from 1 by 1e-9.
FAR_NORMAL, FAR_STUDENT = 7.0, 300.0


@dataclass(frozen=True)
class LeafDerivatives:
    """Sums over the cells of each leaf.

    Attributes
    ----------
    total : log-likelihood of all cells.
    first, second : (n_leaves,) ∂ℓ/∂η and ∂²ℓ/∂η².
    expected : gives a non-negative stand-in for −second, (n_leaves,), for where that is negative.
    """

    total: float
    first: FloatArray
    second: FloatArray
    expected: Callable[[], FloatArray]


@dataclass(frozen=True)
class LeafThirdDerivatives:
    """What the gradient of a Laplace criterion needs besides `LeafDerivatives`.

    Rows of the φ arrays are L, a, b.

    Attributes
    ----------
    third : (n_leaves,) ∂³ℓ/∂η³.
    by_phi : (3, n_leaves) ∂ℓ/∂φ.
    first_by_phi, second_by_phi : (3, n_leaves) ∂²ℓ/∂η∂φ and ∂³ℓ/∂η²∂φ.
    """

    third: FloatArray
    by_phi: FloatArray
    first_by_phi: FloatArray
    second_by_phi: FloatArray


class CellLikelihood:
    """ℓ of fixed cells at given L, a, b; `nu` = None for normal residuals."""

    def __init__(self, cells: Cells, nu: float | None = None) -> None:
        self.cells = cells
        self.nu = nu
        self._seen = slice(0, cells.n_seen)
        self._gone = slice(cells.n_seen, len(cells.day))
        self._cut, self._cut_count = _cut_cells(cells)
        self._far = FAR_NORMAL if nu is None else FAR_STUDENT
        self._density, self._cumulative = residual_laws(nu)

    def to_second(self, eta: FloatArray, lag: float, a: float, b: float) -> LeafDerivatives:
        """Value and two derivatives, as sums by leaf."""
        m, f, variance = self._curve(eta, lag, a, b)
        along = self._along(f, variance, b, order=2)
        f1 = -m * f
        second = along.two * f1**2 + along.one * f1 * (1.0 - m)
        return LeafDerivatives(
            float(along.value.sum()),
            self._by_leaf(along.one * f1),
            self._by_leaf(second),
            lambda: self._by_leaf(self._expected(f, variance, b, along) * f1**2),
        )

    def by_leaf(self, eta: FloatArray, lag: float, a: float, b: float) -> FloatArray:
        """(n_leaves,) log-likelihood of each leaf's cells at its η."""
        _, f, variance = self._curve(eta, lag, a, b)
        return self._by_leaf(self._along(f, variance, b, order=2).value)

    def to_third(
        self, eta: FloatArray, lag: float, a: float, b: float
    ) -> tuple[LeafDerivatives, LeafThirdDerivatives]:
        """All derivatives, as sums by leaf."""
        m, f, variance = self._curve(eta, lag, a, b)
        p = self._along(f, variance, b, order=3)
        f1 = -m * f
        f2, f1_squared = f1 * (1.0 - m), f1 * f1
        first = p.one * f1
        second = p.two * f1_squared + p.one * f2
        third = p.three * f1_squared * f1 + 3.0 * p.two * f1 * f2
        third += p.one * f1 * (1.0 + m * (m - 3.0))
        b0 = f * f * p.v
        b1 = f * (2.0 * p.v + f * p.v_one)
        b2 = 2.0 * p.v + f * (4.0 * p.v_one + f * p.v_two)
        elapsed = self.cells.day - lag
        minus_1_over_t = np.where(elapsed > 0.0, -1.0 / np.where(elapsed > 0.0, elapsed, 1.0), 0.0)
        by_phi = (minus_1_over_t * first, p.v, b0)
        first_by_phi = (minus_1_over_t * second, p.v_one * f1, b1 * f1)
        second_by_phi = (
            minus_1_over_t * third,
            p.v_two * f1_squared + p.v_one * f2,
            b2 * f1_squared + b1 * f2,
        )
        leaf = LeafDerivatives(
            float(p.value.sum()),
            self._by_leaf(first),
            self._by_leaf(second),
            lambda: self._by_leaf(self._expected(f, variance, b, p) * f1_squared),
        )
        return leaf, LeafThirdDerivatives(
            self._by_leaf(third),
            np.array([self._by_leaf(x) for x in by_phi]),
            np.array([self._by_leaf(x) for x in first_by_phi]),
            np.array([self._by_leaf(x) for x in second_by_phi]),
        )

    def _by_leaf(self, per_cell: FloatArray) -> FloatArray:
        return sum_by(self.cells.leaf, per_cell, self.cells.n_leaves)

    def _curve(
        self, eta: FloatArray, lag: float, a: float, b: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """m, f and V per cell."""
        rate = np.exp(np.minimum(eta, MAX_LOG_RATE))[self.cells.leaf]
        m = np.minimum(rate * np.maximum(self.cells.day - lag, 0.0), MAX_EXPONENT)
        f = np.exp(-m)
        return m, f, a + b * f**2 + self.cells.measured

    def _along(self, f: FloatArray, variance: FloatArray, b: float, order: int) -> Along:
        """ℓ of every cell and its derivatives along f."""
        cells, seen, gone = self.cells, self._seen, self._gone
        count, value = cells.count, cells.value
        if self.nu is None:
            weighed = weighed_normal(
                count[seen], value[seen], cells.within, f[seen], variance[seen], b, order
            )
        else:
            weighed = from_law(
                self._density, count[seen], value[seen], f[seen], variance[seen], b, order,
                scaled=True,
            )  # fmt: skip
        near, kept_bags = self._near_the_cut(f, variance)
        if len(near):
            kept = from_law(
                self._cumulative, -kept_bags, cells.cut[near], f[near], variance[near], b, order
            )
            weighed.add_at(near, kept)
        if cells.n_seen == len(value):
            return weighed
        censored = from_law(
            self._cumulative, count[gone], value[gone], f[gone], variance[gone], b, order
        )
        return weighed.followed_by(censored)

    def _near_the_cut(self, f: FloatArray, variance: FloatArray) -> tuple[IntArray, FloatArray]:
        """Weighed cells whose cut is within reach of their residuals, and the bags it concerns."""
        gap = self.cells.cut[self._cut] - f[self._cut]
        near = gap * gap < self._far**2 * variance[self._cut]
        return self._cut[near], self._cut_count[near]

    def _expected(self, f: FloatArray, variance: FloatArray, b: float, along: Along) -> FloatArray:
        """Fisher information in f of weighed bags; −∂²ℓ/∂f² of censored ones, where positive."""
        info = np.maximum(-along.two, 0.0)
        seen = self._seen
        scale = 1.0 if self.nu is None else (self.nu + 1.0) / (self.nu + 3.0)
        v, fs = variance[seen], f[seen]
        info[seen] = scale * self.cells.count[seen] * (1.0 / v + 2.0 * (b * fs / v) ** 2)
        return info


def _cut_cells(cells: Cells) -> tuple[IntArray, FloatArray]:
    """One weighed cell for every leaf, day, known variance and cut, and the bags they share: what
    a cut adds does not depend on the value, so looks kept apart need not repeat it."""
    rows = np.flatnonzero(np.isfinite(cells.cut))
    keys = [x[rows] for x in (cells.leaf, cells.day, cells.measured, cells.cut)]
    if not len(rows):
        return rows, np.empty(0)
    _, first, label = np.unique(np.column_stack(keys), axis=0, return_index=True,
                                return_inverse=True)  # fmt: skip
    bags = sum_by(label.reshape(-1), cells.count[rows], len(first))
    return rows[first], bags
