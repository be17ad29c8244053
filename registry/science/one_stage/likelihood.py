"""Log-likelihood of the cells of one material and its exact derivatives.

Model and symbols
-----------------
    m = e^η·T,  T = max(0, t − L)          f = e^(−m)       fraction remaining
    V = a + b f² + c                       variance of one bag's value, c known (ash correction)
    r = (y − f)/√V
    weighed bag    ℓ = −½ log V + G(r),    G the log density of the residual
    censored bag   ℓ = G(r), y = LOD,      G the log distribution function (Tobin 1958,
                                           Econometrica 26, 24-36)

G is normal, or Student with ν degrees of freedom as a sensitivity (Lange, Little & Taylor 1989,
JASA 84, 881-896). A cell of n bags with mean ȳ and within sum of squares W is, in the normal case,
n(−½ log V + G((ȳ − f)/√V)) − W/(2V), so bags need not be visited one by one.

Derivatives go outwards: G', G'', G''' → partials of ℓ in (f, V) → along f with V = a + b f² + c
(primes) → η. T does not depend on η and everything depends on L through m alone, hence
∂/∂L = −(1/T) ∂/∂η.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import erfcx, gammaln, log_ndtr, stdtr

from registry.science.one_stage.cells import Cells
from registry.science.one_stage.nest import sum_by
from registry.science.types import FloatArray, IntArray

LOG_SQRT_2PI = 0.5 * np.log(2.0 * np.pi)
# Keeps e^η finite: a half-life of five seconds is past every look, so f is 0 beyond it anyway.
MAX_LOG_RATE = 9.0
# exp(−700) is the last power of e a double can hold; m³·f is then an exact zero, not inf·0.
MAX_EXPONENT = 700.0


@dataclass(frozen=True)
class LeafDerivatives:
    """Sums over the cells of each leaf.

    Attributes
    ----------
    total : log-likelihood of all cells.
    first, second : (n_leaves,) ∂ℓ/∂η and ∂²ℓ/∂η².
    expected : (n_leaves,) a non-negative stand-in for −second, used where that is negative.
    """

    total: float
    first: FloatArray
    second: FloatArray
    expected: FloatArray


@dataclass(frozen=True)
class LeafThirdDerivatives:
    """What the gradient of a Laplace criterion needs besides `LeafDerivatives`.

    Rows of the φ arrays are L, a, b.

    Attributes
    ----------
    third : (n_leaves,) ∂³ℓ/∂η³.
    by_phi : (3,) ∂ℓ/∂φ over all cells.
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

    def to_second(self, eta: FloatArray, lag: float, a: float, b: float) -> LeafDerivatives:
        """Value and two derivatives, as sums by leaf."""
        f, slopes, variance = self._curve(eta, lag, a, b)
        partials = self._partials(f, variance, third=False)
        along = _along_f(partials, f, b, third=False)
        second = along[1] * slopes[0] ** 2 + along[0] * slopes[1]
        expected = self._expected(f, variance, b, partials) * slopes[0] ** 2
        return LeafDerivatives(
            float(partials["value"].sum()),
            self._by_leaf(along[0] * slopes[0]),
            self._by_leaf(second),
            self._by_leaf(expected),
        )

    def by_leaf(self, eta: FloatArray, lag: float, a: float, b: float) -> FloatArray:
        """(n_leaves,) log-likelihood of each leaf's cells at its η."""
        f, _, variance = self._curve(eta, lag, a, b)
        return self._by_leaf(self._partials(f, variance, third=False)["value"])

    def to_third(
        self, eta: FloatArray, lag: float, a: float, b: float
    ) -> tuple[LeafDerivatives, LeafThirdDerivatives]:
        """All derivatives, as sums by leaf."""
        f, (f1, f2, f3), variance = self._curve(eta, lag, a, b)
        p = self._partials(f, variance, third=True)
        psi1, psi2, psi3 = _along_f(p, f, b, third=True)
        first = psi1 * f1
        second = psi2 * f1**2 + psi1 * f2
        third = psi3 * f1**3 + 3.0 * psi2 * f1 * f2 + psi1 * f3
        a0, a1, a2 = _along_f_by_a(p, f, b)
        b0, b1, b2 = f**2 * a0, 2.0 * f * a0 + f**2 * a1, 2.0 * a0 + 4.0 * f * a1 + f**2 * a2
        elapsed = self.cells.day - lag
        minus_1_over_t = np.where(elapsed > 0.0, -1.0 / np.where(elapsed > 0.0, elapsed, 1.0), 0.0)
        by_phi = np.array([minus_1_over_t @ first, a0.sum(), b0.sum()])
        first_by_phi = [minus_1_over_t * second, a1 * f1, b1 * f1]
        second_by_phi = [minus_1_over_t * third, a2 * f1**2 + a1 * f2, b2 * f1**2 + b1 * f2]
        leaf = LeafDerivatives(
            float(p["value"].sum()), self._by_leaf(first), self._by_leaf(second), np.empty(0)
        )
        return leaf, LeafThirdDerivatives(
            self._by_leaf(third),
            by_phi,
            np.array([self._by_leaf(x) for x in first_by_phi]),
            np.array([self._by_leaf(x) for x in second_by_phi]),
        )

    def _by_leaf(self, per_cell: FloatArray) -> FloatArray:
        return sum_by(self.cells.leaf, per_cell, self.cells.n_leaves)

    def _curve(
        self, eta: FloatArray, lag: float, a: float, b: float
    ) -> tuple[FloatArray, tuple[FloatArray, FloatArray, FloatArray], FloatArray]:
        """f per cell, its three derivatives in η, and V."""
        rate = np.exp(np.minimum(eta, MAX_LOG_RATE))[self.cells.leaf]
        m = np.minimum(rate * np.maximum(self.cells.day - lag, 0.0), MAX_EXPONENT)
        f = np.exp(-m)
        f1 = -m * f
        f2 = f1 * (1.0 - m)
        f3 = f1 * (1.0 - 3.0 * m + m**2)
        return f, (f1, f2, f3), a + b * f**2 + self.cells.measured

    def _partials(self, f: FloatArray, variance: FloatArray, third: bool) -> dict[str, FloatArray]:
        """Partials of ℓ in f and V, times the cell's count; keys name the variables."""
        cells, seen = self.cells, self._seen
        root = 1.0 / np.sqrt(variance)
        r = (cells.value - f) * root
        g0, g1, g2, g3 = (np.empty_like(r) for _ in range(4))
        density, cumulative = _residual(self.nu)
        g0[seen], g1[seen], g2[seen], g3[seen] = density(r[seen])
        if cells.n_seen < len(r):
            gone = slice(cells.n_seen, None)
            g0[gone], g1[gone], g2[gone], g3[gone] = cumulative(r[gone])
        p = _chain(g0, g1, g2, g3, r, root, third)
        _add_scale(p, variance, seen, third)
        p = {name: cells.count * x for name, x in p.items()}
        _add_within(p, cells.within, variance[seen], seen, third)
        return p

    def _expected(
        self, f: FloatArray, variance: FloatArray, b: float, p: dict[str, FloatArray]
    ) -> FloatArray:
        """Fisher information in f of weighed bags; −∂²ℓ/∂f² of censored ones, where positive."""
        info = np.maximum(-p["ff"], 0.0)
        seen = self._seen
        scale = 1.0 if self.nu is None else (self.nu + 1.0) / (self.nu + 3.0)
        v, fs = variance[seen], f[seen]
        info[seen] = scale * self.cells.count[seen] * (1.0 / v + 2.0 * (b * fs / v) ** 2)
        return info


def _chain(
    g0: FloatArray,
    g1: FloatArray,
    g2: FloatArray,
    g3: FloatArray,
    r: FloatArray,
    root: FloatArray,
    third: bool,
) -> dict[str, FloatArray]:
    """Partials of G(r), r = (y − f)·V^(−1/2), in f and V."""
    root2 = root**2
    rf, rv, rfv, rvv = -root, -0.5 * r * root2, 0.5 * root * root2, 0.75 * r * root2**2
    p = {
        "value": g0,
        "f": g1 * rf,
        "v": g1 * rv,
        "ff": g2 * root2,
        "fv": g2 * rf * rv + g1 * rfv,
        "vv": g2 * rv**2 + g1 * rvv,
    }
    if third:
        rfvv, rvvv = -1.5 * rfv * root2, -2.5 * rvv * root2
        p["fff"] = g3 * rf * root2
        p["ffv"] = g3 * root2 * rv + 2.0 * g2 * rf * rfv
        p["fvv"] = g3 * rf * rv**2 + g2 * (2.0 * rfv * rv + rf * rvv) + g1 * rfvv
        p["vvv"] = g3 * rv**3 + 3.0 * g2 * rv * rvv + g1 * rvvv
    return p


def _add_scale(p: dict[str, FloatArray], variance: FloatArray, seen: slice, third: bool) -> None:
    """Add −½ log V of weighed bags."""
    inverse = 1.0 / variance[seen]
    p["value"][seen] += 0.5 * np.log(inverse)
    p["v"][seen] -= 0.5 * inverse
    p["vv"][seen] += 0.5 * inverse**2
    if third:
        p["vvv"][seen] -= inverse**3


def _add_within(
    p: dict[str, FloatArray], within: FloatArray, variance: FloatArray, seen: slice, third: bool
) -> None:
    """Add −W/(2V) of weighed cells."""
    x = within / variance
    p["value"][seen] -= 0.5 * x
    p["v"][seen] += 0.5 * x / variance
    p["vv"][seen] -= x / variance**2
    if third:
        p["vvv"][seen] += 3.0 * x / variance**3


def _along_f(
    p: dict[str, FloatArray], f: FloatArray, b: float, third: bool
) -> tuple[FloatArray, ...]:
    """Total derivatives along f, V following: V' = 2bf, V'' = 2b."""
    v1, v2 = 2.0 * b * f, 2.0 * b
    first = p["f"] + v1 * p["v"]
    second = p["ff"] + v1 * (2.0 * p["fv"] + v1 * p["vv"]) + v2 * p["v"]
    if not third:
        return first, second
    cubic = p["fff"] + v1 * (3.0 * p["ffv"] + v1 * (3.0 * p["fvv"] + v1 * p["vvv"]))
    return first, second, cubic + 3.0 * v2 * (p["fv"] + v1 * p["vv"])


def _along_f_by_a(p: dict[str, FloatArray], f: FloatArray, b: float) -> tuple[FloatArray, ...]:
    """∂ℓ/∂a = ∂ℓ/∂V and its two total derivatives along f."""
    v1 = 2.0 * b * f
    second = p["ffv"] + v1 * (2.0 * p["fvv"] + v1 * p["vvv"]) + 2.0 * b * p["vv"]
    return p["v"], p["fv"] + v1 * p["vv"], second


Scalar = Callable[[FloatArray], tuple[FloatArray, ...]]


def _residual(nu: float | None) -> tuple[Scalar, Scalar]:
    """Log density and log distribution function, each returning G and three derivatives."""
    if nu is None:
        return normal_log_density, normal_log_cumulative
    return (lambda r: student_log_density(r, nu)), (lambda r: student_log_cumulative(r, nu))


def normal_log_density(r: FloatArray) -> tuple[FloatArray, ...]:
    """log φ(r) and three derivatives."""
    return -LOG_SQRT_2PI - 0.5 * r**2, -r, np.full_like(r, -1.0), np.zeros_like(r)


def normal_log_cumulative(r: FloatArray) -> tuple[FloatArray, ...]:
    """log Φ(r) and three derivatives; h = φ/Φ through erfcx, stable in the far lower tail."""
    with np.errstate(over="ignore"):
        h = np.sqrt(2.0 / np.pi) / erfcx(-r / np.sqrt(2.0))
    second = -h * (r + h)
    return log_ndtr(r), h, second, -second * (r + 2.0 * h) - h


def student_log_density(r: FloatArray, nu: float) -> tuple[FloatArray, ...]:
    """log t_ν(r) and three derivatives."""
    constant = gammaln((nu + 1) / 2) - gammaln(nu / 2) - 0.5 * np.log(nu * np.pi)
    s = nu + r**2
    first = -(nu + 1) * r / s
    second = -(nu + 1) * (nu - r**2) / s**2
    third = 2 * (nu + 1) * r * (3 * nu - r**2) / s**3
    return constant - 0.5 * (nu + 1) * np.log1p(r**2 / nu), first, second, third


def student_log_cumulative(r: FloatArray, nu: float) -> tuple[FloatArray, ...]:
    """log T_ν(r) and three derivatives."""
    log_density, kappa, kappa1, _ = student_log_density(r, nu)
    log_cumulative = np.log(stdtr(nu, r))
    h = np.exp(log_density - log_cumulative)
    second = h * (kappa - h)
    return log_cumulative, h, second, second * (kappa - h) + h * (kappa1 - second)


def tobit_log_likelihood(
    y: FloatArray, fitted: FloatArray, scale: float, censored: IntArray
) -> float:
    """Left-censored normal log-likelihood with one scale: the same two terms, for any curve.

    Parameters
    ----------
    y : (n,) value, or the limit where censored.
    fitted : (n,) expected value.
    scale : residual standard deviation, > 0.
    censored : (n,) true where only "at or below y" is known.
    """
    r = (y - fitted) / scale
    seen = normal_log_density(r)[0] - np.log(scale)
    return float(np.where(censored, normal_log_cumulative(r)[0], seen).sum())
