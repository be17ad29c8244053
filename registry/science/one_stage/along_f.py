"""Derivatives of one cell's log-likelihood along its fitted value f, the variance following.

Symbols as in `likelihood`: V = a + b f² + c, so along f  V' = 2bf, V'' = 2b. Throughout

    i = 1/V,   u = V'/V,   u' = V''·i − u²,   u'' = −V''·i·u − 2 u u',   i' = −i u

A prime is a total derivative along f; ∂/∂V, f held, gives the slopes by a (and times f², by b).
"""

from dataclasses import dataclass

import numpy as np

from registry.science.one_stage.residuals import LOG_SQRT_2PI, Scalar
from registry.science.types import FloatArray, IntArray


@dataclass(frozen=True)
class Along:
    """ℓ per cell, its derivatives along f, and ∂ℓ/∂V with its own two.

    From `three` on empty where only two derivatives were asked for.
    """

    value: FloatArray
    one: FloatArray
    two: FloatArray
    three: FloatArray
    v: FloatArray
    v_one: FloatArray
    v_two: FloatArray

    def followed_by(self, other: "Along") -> "Along":
        """These cells, then the others."""
        return Along(*(np.concatenate([getattr(self, n), getattr(other, n)]) for n in _NAMES))

    def add_at(self, rows: IntArray, more: "Along") -> None:
        """Add `more` to the cells at `rows`, each named once; in place."""
        for name in _NAMES:
            whole = getattr(self, name)
            if len(whole):
                whole[rows] += getattr(more, name)


_NAMES = tuple(Along.__dataclass_fields__)
_NOTHING = np.empty(0)


def weighed_normal(
    n: FloatArray,
    mean: FloatArray,
    within: FloatArray,
    f: FloatArray,
    v: FloatArray,
    b: float,
    order: int,
) -> Along:
    """n bags of one cell with normal residuals: ℓ = −½[n log 2πV + S/V], S = n(ȳ − f)² + W.

    With q = S·i and p = S'·i:  p' = S''·i − p u,  q' = p − q u,  and ℓ' = −½ (n u + q').

    All arrays (n_cells,); `order` is 2 or 3.
    """
    i = 1.0 / v
    gap = mean - f
    n_gap = n * gap
    q = (n_gap * gap + within) * i
    u = (2.0 * b) * f * i
    vi, si = (2.0 * b) * i, (2.0 * n) * i
    u1 = vi - u * u
    p = -2.0 * n_gap * i
    q1 = p - q * u
    p1 = si - p * u
    q2 = p1 - q1 * u - q * u1
    value = 0.5 * (n * np.log(i) - q) - LOG_SQRT_2PI * n
    one = -0.5 * (n * u + q1)
    two = -0.5 * (n * u1 + q2)
    if order < 3:
        return Along(value, one, two, _NOTHING, _NOTHING, _NOTHING, _NOTHING)
    u2 = -(vi + 2.0 * u1) * u
    p2 = -(si + p1) * u - p * u1
    q3 = p2 - q2 * u - 2.0 * q1 * u1 - q * u2
    three = -0.5 * (n * u2 + q3)
    # ∂ℓ/∂V = ½ (q − n) i
    excess, half_i = q - n, 0.5 * i
    w1 = q1 - excess * u
    return Along(
        value, one, two, three,
        half_i * excess,
        half_i * w1,
        half_i * (q2 - q1 * u - excess * u1 - w1 * u),
    )  # fmt: skip


def from_law(
    law: Scalar,
    n: FloatArray,
    y: FloatArray,
    f: FloatArray,
    v: FloatArray,
    b: float,
    order: int,
    *,
    scaled: bool = False,
) -> Along:
    """n times law(r), r = (y − f)/√V; less ½ n log V where `scaled` (a density of y, not of r).

    With s = V^(−½), s' = −½ s u:  r' = −s − ½ r u, and ∂r/∂V = −½ r i.
    """
    s = 1.0 / np.sqrt(v)
    i = s * s
    r = (y - f) * s
    g0, g1, g2, g3 = law(r)
    u = (2.0 * b) * f * i
    vi = (2.0 * b) * i
    u1 = vi - u * u
    r1 = -s - 0.5 * r * u
    r2 = 0.5 * (s * u - r1 * u - r * u1)
    value, one, two = g0, g1 * r1, g2 * r1 * r1 + g1 * r2
    if scaled:
        value = value + 0.5 * np.log(i)
        one = one - 0.5 * u
        two = two - 0.5 * u1
    if order < 3:
        return Along(n * value, n * one, n * two, _NOTHING, _NOTHING, _NOTHING, _NOTHING)
    u2 = -(vi + 2.0 * u1) * u
    r3 = 0.5 * (s * (u1 - 0.5 * u * u) - r2 * u - 2.0 * r1 * u1 - r * u2)
    three = (g3 * r1 * r1 + 3.0 * g2 * r2) * r1 + g1 * r3
    half_i = -0.5 * i
    t, x1 = half_i * r, r1 - r * u
    t1 = half_i * x1
    t2 = half_i * (r2 - r1 * u - r * u1 - x1 * u)
    by_v = g1 * t
    by_v_one = g2 * r1 * t + g1 * t1
    by_v_two = (g3 * r1 * r1 + g2 * r2) * t + 2.0 * g2 * r1 * t1 + g1 * t2
    if scaled:
        three = three - 0.5 * u2
        by_v = by_v + half_i
        by_v_one = by_v_one - half_i * u
        by_v_two = by_v_two - half_i * (u1 - u * u)
    return Along(n * value, n * one, n * two, n * three, n * by_v, n * by_v_one, n * by_v_two)
