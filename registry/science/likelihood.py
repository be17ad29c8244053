"""The censored, heteroscedastic likelihood of the lag + first-order curve, and its derivatives.

Symbols, used alike in `decay.py`:

    t      elapsed days                      L      lag, days, shared by the piles of a material
    θ      log decay rate, θ = log k         τ      max(0, t - L)
    f      expected fraction, exp(-k·τ)      V      residual variance, a + b·f² (+ known extra)
    ȳ,n,S  mean, count, within-cell sum of squares of a cell
    z      (LOD - f)/√V of a censored cell   λ      φ(z)/Φ(z), inverse Mills ratio

    ℓ = Σ -½[n·log V + (n(ȳ-f)² + S)/V] - Σ n·log Φ((cut-f)/√V)  +  Σ n·log Φ(z)

The information is the expected one for measured cells (for b = 0 it is the JᵀJ/σ² of nonlinear
least squares), less what a cut takes away, and λ(λ+z)·(∂z)² for censored cells; never negative.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from registry.science.cells import Cells, sum_by
from registry.science.types import FloatArray, IntArray

_LOG_ROOT_2PI = 0.5 * np.log(2.0 * np.pi)
# Φ(7) differs from 1 by 1e-12: a cut further away changes nothing.
_FAR = 7.0


@dataclass(frozen=True)
class Evaluation:
    """Log-likelihood, score and information of every unit at one (θ, L, a, b).

    All (n_units,). `d` is ∂/∂θ; `l` is ∂/∂L taken to the right of L, `l_left` to its left: they
    differ where L falls exactly on a look day. `scale` is the score for a common factor on ȳ.
    """

    loglik: FloatArray
    d_score: FloatArray
    d_info: FloatArray
    l_score: FloatArray
    l_score_left: FloatArray
    l_info: FloatArray
    l_info_left: FloatArray
    cross_info: FloatArray
    scale_info: FloatArray


def inverse_mills(z: FloatArray) -> FloatArray:
    """φ(z)/Φ(z), stable far into the lower tail."""
    return np.asarray(np.exp(-0.5 * z * z - _LOG_ROOT_2PI - log_ndtr(z)))


def curve(theta: FloatArray, lag: FloatArray, day: FloatArray) -> tuple[FloatArray, FloatArray]:
    """f and k·τ of each row, from that row's θ and L (same shapes)."""
    exponent = np.exp(theta) * np.maximum(day - lag, 0.0)
    return np.exp(-exponent), exponent


def _unit_curve(
    theta: FloatArray, lag: FloatArray, unit: IntArray, day: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """`curve` of cells from θ and L by unit, with one exponential per unit for the rate."""
    exponent = np.exp(theta)[unit] * np.maximum(day - lag[unit], 0.0)
    return np.exp(-exponent), exponent


def evaluate(
    cells: Cells, theta: FloatArray, lag: FloatArray, a: FloatArray, b: FloatArray
) -> Evaluation:
    """Evaluate all units at once; `theta`, `lag`, `a`, `b` are (n_units,)."""
    n = cells.n_units
    u, c = cells.unit, cells.c_unit
    f, exponent = _unit_curve(theta, lag, u, cells.day)
    bf = b[u] * f
    variance = a[u] + bf * f + cells.extra_variance
    residual = cells.mean - f
    square = cells.count * residual * residual + cells.within_ss
    by_f = cells.count * residual / variance
    by_f += bf * (square / variance - cells.count) / variance
    info = cells.count / variance * (1.0 + 2.0 * bf * bf / variance)
    near, cut_loglik, cut_by_f, _, kept = _cut(cells, f, variance, bf)
    loglik = -0.5 * (cells.count * np.log(variance) + square / variance)
    loglik[near] += cut_loglik
    by_f[near] += cut_by_f
    info[near] *= kept
    f_theta = -exponent * f
    late = cells.day > lag[u]
    f_lag = np.exp(theta[u]) * f
    right = f_lag * late
    left = f_lag * (cells.day >= lag[u])

    cf, c_exponent = _unit_curve(theta, lag, c, cells.c_day)
    c_variance = a[c] + b[c] * cf * cf
    c_sd = np.sqrt(c_variance)
    z = (cells.c_limit - cf) / c_sd
    mills = inverse_mills(z)
    z_f = -1.0 / c_sd - z * b[c] * cf / c_variance
    c_by_f = cells.c_count * mills * z_f
    c_info = cells.c_count * mills * (mills + z) * z_f * z_f
    c_f_theta = -c_exponent * cf
    c_f_lag = np.exp(theta[c]) * cf
    c_right = c_f_lag * (cells.c_day > lag[c])
    c_left = c_f_lag * (cells.c_day >= lag[c])

    def total(measured: FloatArray, censored: FloatArray) -> FloatArray:
        return sum_by(u, measured, n) + sum_by(c, censored, n)

    return Evaluation(
        loglik=total(loglik, cells.c_count * log_ndtr(z)),
        d_score=total(by_f * f_theta, c_by_f * c_f_theta),
        d_info=total(info * f_theta * f_theta, c_info * c_f_theta * c_f_theta),
        l_score=total(by_f * right, c_by_f * c_right),
        l_score_left=total(by_f * left, c_by_f * c_left),
        l_info=total(info * right * right, c_info * c_right * c_right),
        l_info_left=total(info * left * left, c_info * c_left * c_left),
        cross_info=total(info * right * f_theta, c_info * c_right * c_f_theta),
        scale_info=sum_by(u, cells.count / variance * f * f_theta, n),
    )


@dataclass(frozen=True)
class ThetaScore:
    """Score and information (n_units,) for θ alone, and what its log-likelihood is made of."""

    cells: Cells
    score: FloatArray
    information: FloatArray
    variance: FloatArray
    square: FloatArray
    near: IntArray
    near_loglik: FloatArray
    censored: FloatArray

    def loglik(self) -> FloatArray:
        """(n_units,); asked for only where a step is the last."""
        cells = self.cells
        per_cell = -0.5 * (cells.count * np.log(self.variance) + self.square)
        per_cell[self.near] += self.near_loglik
        total = sum_by(cells.unit, per_cell, cells.n_units)
        if len(cells.c_unit):
            total += sum_by(cells.c_unit, cells.c_count * log_ndtr(self.censored), cells.n_units)
        return total


def theta_score(
    cells: Cells, theta: FloatArray, lag: FloatArray, a: FloatArray, b: FloatArray
) -> ThetaScore:
    """The inner loop of every fit; `theta`, `lag`, `a`, `b` are (n_units,)."""
    n, u, c = cells.n_units, cells.unit, cells.c_unit
    f, exponent = _unit_curve(theta, lag, u, cells.day)
    bf = b[u] * f
    variance = a[u] + bf * f + cells.extra_variance
    inverse = 1.0 / variance
    gap = cells.count * (cells.mean - f)
    square = (gap * (cells.mean - f) + cells.within_ss) * inverse
    by_f = (gap + bf * (square - cells.count)) * inverse
    info = cells.count * inverse * (1.0 + 2.0 * bf * bf * inverse)
    f_theta = -exponent * f
    near, cut_loglik, cut_by_f, _, kept = _cut(cells, f, variance, bf)
    by_f[near] += cut_by_f
    info[near] *= kept
    score = sum_by(u, by_f * f_theta, n)
    information = sum_by(u, info * f_theta * f_theta, n)
    z = np.empty(0)
    if len(c):
        cf, c_exponent = _unit_curve(theta, lag, c, cells.c_day)
        c_variance = a[c] + b[c] * cf * cf
        c_sd = np.sqrt(c_variance)
        z = (cells.c_limit - cf) / c_sd
        mills = inverse_mills(z)
        z_theta = (1.0 / c_sd + z * b[c] * cf / c_variance) * c_exponent * cf
        score += sum_by(c, cells.c_count * mills * z_theta, n)
        information += sum_by(c, cells.c_count * mills * (mills + z) * z_theta**2, n)
    return ThetaScore(cells, score, information, variance, square, near, cut_loglik, z)


def variance_score(
    cells: Cells, theta: FloatArray, lag: FloatArray, a: FloatArray, b: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Score and information for (log a, log b) of every unit, adjusted for its fitted rate.

    A cell's leverage h (its share of the unit's information, times one parameter) is taken off its
    count: the adjusted profile likelihood of Cox and Reid (1987, J. R. Stat. Soc. B 49, 1-39),
    which for b = 0 divides by n - 1 instead of n.

    Returns
    -------
    score : (n_units, 2); information : (n_units, 3) as aa, ab, bb.
    """
    n, u, c = cells.n_units, cells.unit, cells.c_unit
    f, exponent = _unit_curve(theta, lag, u, cells.day)
    variance = a[u] + b[u] * f * f + cells.extra_variance
    gain = cells.count / variance * (exponent * f) ** 2
    unit_gain = sum_by(u, gain, n)
    leverage = np.divide(gain, unit_gain[u], out=np.zeros_like(gain), where=unit_gain[u] > 0)
    freedom = cells.count - leverage
    square = cells.count * (cells.mean - f) ** 2 + cells.within_ss
    by_v = 0.5 * (square / variance - freedom) / variance
    near, _, _, cut_by_v, _ = _cut(cells, f, variance, b[u] * f)
    by_v[near] += cut_by_v
    weight = 0.5 * freedom / variance**2
    va, vb = a[u], b[u] * f * f
    score = np.column_stack([sum_by(u, by_v * va, n), sum_by(u, by_v * vb, n)])
    info = [sum_by(u, weight * x, n) for x in (va * va, va * vb, vb * vb)]
    if len(c):
        cf, _ = _unit_curve(theta, lag, c, cells.c_day)
        c_variance = a[c] + b[c] * cf * cf
        z = (cells.c_limit - cf) / np.sqrt(c_variance)
        mills = inverse_mills(z)
        z_v = -0.5 * z / c_variance
        c_by_v = cells.c_count * mills * z_v
        c_weight = cells.c_count * mills * (mills + z) * z_v**2
        ca, cb = a[c], b[c] * cf * cf
        score += np.column_stack([sum_by(c, c_by_v * ca, n), sum_by(c, c_by_v * cb, n)])
        for i, x in enumerate((ca * ca, ca * cb, cb * cb)):
            info[i] = info[i] + sum_by(c, c_weight * x, n)
    return score, np.column_stack(info)


def _cut(
    cells: Cells, f: FloatArray, variance: FloatArray, bf: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """What a cut adds to the cells it can reach.

    Returns
    -------
    near : rows of those cells; the rest has Φ = 1 to the last digit.
    loglik, by_f, by_v : what is added to ℓ, ∂ℓ/∂f (through V too) and ∂ℓ/∂V.
    kept : share of the information left, 1 - λ(λ+z), that of a truncated normal mean.
    """
    gap = cells.cut - f
    near = np.flatnonzero(gap * gap < _FAR**2 * variance)
    v, n = variance[near], cells.count[near]
    sd = np.sqrt(v)
    z = gap[near] / sd
    log_phi = log_ndtr(z)
    mills = np.exp(-0.5 * z * z - _LOG_ROOT_2PI - log_phi)
    by_v = 0.5 * n * mills * z / v
    by_f = n * mills / sd + by_v * 2.0 * bf[near]
    kept = np.maximum(1.0 - mills * (mills + z), 1e-3)
    return near, -n * log_phi, by_f, by_v, kept
