"""The trial's model evaluated by site, at a cost that does not depend on the number of bags.

Terms: site (γ_a), site × material (γ_m), pile (γ_p), pile × material (γ_c). Within a site, index m
runs over materials and j over piles. X = L on materials: row m of the (M, p) `design`. In turn:

pile × material is diagonal on cells        w = N / (1 + γ_c N)
site × material is one rank per material    A_m = diag(w_m) − γ_m v_m w_m w_mᵀ
                                            v_m = 1 / (1 + γ_m Σ_j w_mj)
pile is J × J                               T_p = (I + γ_p K)⁻¹,  F_p = T_p K,  K = Σ_m A_m
site is one rank more                       u = 1 / (1 + γ_a 1ᵀF_p 1)

    H⁻¹ = A − A Z R Zᵀ A,      R = γ_p T_p + γ_a u T_p 11ᵀ T_p
    Zᵀ H⁻¹ = T Zᵀ A,           T = T_p − γ_a u F_p 11ᵀ T_p,      1ᵀT = u 1ᵀT_p

where Z sums over materials, so that block m of A Z is A_m itself, and row m of XᵀA Z is
A_m 1 = v_m w_m =: q_m. Everything below is J × J per site, or M × M once.

Array letters: s site, m n materials, j k piles, p fixed effects.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from registry.science.mixed.cells import Cells
from registry.science.mixed.criterion import Moments, Slopes, Sums
from registry.science.mixed.site_moments import site_moments
from registry.science.types import FloatArray

SITE, SITE_MATERIAL, PILE, PILE_MATERIAL = (
    "site",
    "site × material",
    "pile",
    "pile × material",
)
ALL_TERMS = (SITE, SITE_MATERIAL, PILE, PILE_MATERIAL)


@dataclass(frozen=True)
class SiteBlocks:
    """Cells and a design on materials; `terms` is a subset of `ALL_TERMS`, in that order.

    `offset` is (p,) β₀, the weighted fit ignoring the random terms; `y` is (S, M, J) the cell means
    less L β₀; `n`, `within` and `spread` are sums over all cells.
    """

    cells: Cells
    design: FloatArray
    terms: tuple[str, ...]
    offset: FloatArray
    y: FloatArray
    n: int
    within: float
    spread: float

    def at(self, gamma: FloatArray) -> "SitePoint":
        return SitePoint(self, gamma)


def site_blocks(cells: Cells, design: FloatArray, terms: tuple[str, ...]) -> SiteBlocks:
    """Blocks for `cells` with the (M, p) full-rank `design` on materials."""
    per_material = cells.count.sum(axis=(0, 2))
    mean = (cells.count * cells.mean).sum(axis=(0, 2)) / per_material
    root = np.sqrt(per_material)
    offset = np.linalg.lstsq(design * root[:, None], mean * root, rcond=None)[0]
    y = np.where(cells.count > 0, cells.mean - (design @ offset)[:, None], 0.0)
    within = float(cells.within.sum())
    return SiteBlocks(cells, design, terms, offset, y, cells.n_bags, within, cells.spread)


class SitePoint:
    """`SiteBlocks` at one γ. Lower-case arrays are named in the module's notes."""

    def __init__(self, blocks: SiteBlocks, gamma: FloatArray) -> None:
        self.blocks = blocks
        ratio = dict(zip(blocks.terms, gamma, strict=True))
        self.gamma_a, self.gamma_m, self.gamma_p, self.gamma_c = (
            float(ratio.get(term, 0.0)) for term in ALL_TERMS
        )
        self.kept = [ALL_TERMS.index(term) for term in blocks.terms]
        count = blocks.cells.count
        self.w = count / (1 + self.gamma_c * count)
        self.t = over_piles(self.w)
        self.v = 1 / (1 + self.gamma_m * self.t)
        self.q = self.v[..., None] * self.w
        j = count.shape[2]
        w_jm = self.w.transpose(0, 2, 1)
        self.k = _diagonal(over_materials(self.w)) - self.gamma_m * (w_jm @ self.q)
        t = np.asarray(np.linalg.inv(np.eye(j) + self.gamma_p * self.k), dtype=float)
        f = t @ self.k
        self.log_det_pile = float(-np.linalg.slogdet(t)[1].sum())
        one_f, one_t = f.sum(axis=1), t.sum(axis=1)
        self.f_site = one_f.sum(axis=1)
        self.u = 1 / (1 + self.gamma_a * self.f_site)
        c = (self.gamma_a * self.u)[:, None, None]
        self.r = _symmetric(self.gamma_p * t) + c * one_t[:, :, None] * one_t[:, None]
        self.t_pile = t - c * one_f[:, :, None] * one_t[:, None]
        self.t_site = self.u[:, None] * one_t

    def apply_a(self, x: FloatArray) -> FloatArray:
        """A x for x of shape (..., S, M or 1, J): w (x − γ_m v wᵀx)."""
        inner = np.einsum(
            "...smj,smj->...sm", np.broadcast_to(x, (*x.shape[:-3], *self.w.shape)), self.w
        )
        return self.w * (x - (self.gamma_m * self.v * inner)[..., None])

    def solve(self, x: FloatArray) -> FloatArray:
        """H⁻¹ x on cells, for x of shape (..., S, M, J).

        As A (x − R Zᵀ A x): what the terms explain leaves x before anything is weighted, so large
        variance ratios cost no digits.
        """
        pull = np.einsum("sjk,...sk->...sj", self.r, over_materials(self.apply_a(x)))
        return self.apply_a(x - pull[..., None, :])

    def sums(self) -> Sums:
        b = self.blocks
        ay = self.apply_a(b.y)
        z = over_materials(ay)
        rz = np.einsum("sjk,sk->sj", self.r, z)
        xhx, q_flat = self._material_xhx()
        xhy = over_piles(ay).sum(axis=0) - q_flat @ rz.reshape(-1)
        log_det = np.log1p(self.gamma_c * b.cells.count).sum() + self.log_det_pile
        log_det -= np.log(self.v).sum() + np.log(self.u).sum()
        return Sums(
            log_det_h=float(log_det),
            xhx=_symmetric(b.design.T @ xhx @ b.design),
            xhy=b.design.T @ xhy,
        )

    def _material_xhx(self) -> tuple[FloatArray, FloatArray]:
        """XᵀH⁻¹X for X = I on materials, (M, M), and q as (M, S·J)."""
        m = self.q.shape[1]
        q_flat = self.q.transpose(1, 0, 2).reshape(m, -1)
        rq = (self.q @ self.r).transpose(1, 0, 2).reshape(m, -1)
        return np.diag((self.v * self.t).sum(axis=0)) - q_flat @ rq.T, q_flat

    @cached_property
    def a_squared(self) -> FloatArray:
        """(S, J, J) Σ_m A_m²."""
        w, v, g = self.w, self.v, self.gamma_m
        w2 = w**2
        cross = np.einsum("smj,smk->sjk", v[..., None] * w2, w, optimize=True)
        weight = g**2 * v**2 * over_piles(w2)
        rank_one = np.einsum("smj,smk->sjk", weight[..., None] * w, w, optimize=True)
        return _diagonal(over_materials(w2)) - g * (cross + cross.transpose(0, 2, 1)) + rank_one

    def slopes(self, beta: FloatArray, c: FloatArray) -> Slopes:
        q, b, a = self._quadratics(beta, c)
        kept = self.kept
        return Slopes(
            q=q,
            trace_f=self.trace_f()[kept],
            trace_cs=self._trace_cs(c)[kept],
            b=b[kept],
            a=a[np.ix_(kept, kept)],
        )

    def trace_f(self) -> FloatArray:
        """(4,) tr(Z_kᵀ H⁻¹ Z_k)."""
        k, r = self.k, self.r
        f_pile = self.t_pile @ k
        qr = self.q @ r
        trace_a = self.w.sum() - self.gamma_m * (self.v * over_piles(self.w**2)).sum()
        return np.array(
            [
                (self.u * self.f_site).sum(),
                np.trace(f_pile, axis1=1, axis2=2).sum(),
                trace_a - (r * self.a_squared).sum(),
                (self.v * self.t).sum() - (qr * self.q).sum(),
            ]
        )[[0, 3, 1, 2]]

    def _trace_cs(self, c: FloatArray) -> FloatArray:
        """(4,) tr(C E_kᵀ E_k), with C carried to materials."""
        design = self.blocks.design
        c_m = design @ c @ design.T
        q, r, vt = self.q, self.r, self.v * self.t
        cq = np.tensordot(c_m, q, axes=(1, 1)).transpose(1, 0, 2)
        n = q.transpose(0, 2, 1) @ cq
        pile = self.t_pile @ n @ self.t_pile.transpose(0, 2, 1)
        site = np.einsum("sj,sjk,sk->", self.t_site, n, self.t_site, optimize=True)
        rcq = cq @ r
        aq = self.apply_a(q)
        c_diag = np.diag(c_m)
        rnr = r @ n @ r
        return np.array(
            [
                site,
                (vt**2 @ c_diag).sum()
                - 2 * (vt * over_piles(q * rcq)).sum()
                + ((q.transpose(0, 2, 1) @ q) * rnr).sum(),
                np.trace(pile, axis1=1, axis2=2).sum(),
                (over_piles(q**2) @ c_diag).sum()
                - 2 * (aq * rcq).sum()
                + (self.a_squared * rnr).sum(),
            ]
        )

    def _grouped(self, beta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Z_kᵀ H⁻¹ (y − X β) for the four terms, each spread over (S, M, J) by its unit axes.

        Sums over a term with a large ratio are tiny next to their parts, so each is taken from its
        own formula, not by adding up cells.
        """
        rest = self.blocks.y - (self.blocks.design @ beta)[:, None]
        rest = np.where(self.blocks.cells.count > 0, rest, 0.0)
        z = over_materials(self.apply_a(rest))
        rest = rest - np.einsum("sjk,sk->sj", self.r, z)[:, None]
        site = (self.t_site * z).sum(axis=1)[:, None, None]
        site_material = (self.v * over_piles(self.w * rest))[..., None]
        pile = np.einsum("sjk,sk->sj", self.t_pile, z)[:, None]
        return site, site_material, pile, self.apply_a(rest)

    def _quadratics(self, beta: FloatArray, c: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """q, b (4,) and a (4, 4) of `Slopes`; q as residual plus penalty, all terms positive."""
        grouped = self._grouped(beta)
        e = grouped[3]
        b = np.array([(g**2).sum() for g in grouped])
        w = np.stack([np.broadcast_to(g, e.shape) for g in grouped])
        hw = self.solve(w)
        h = over_piles(hw).sum(axis=1) @ self.blocks.design
        a = w.reshape(4, -1) @ hw.reshape(4, -1).T - h @ c @ h.T
        ratios = np.array([self.gamma_a, self.gamma_m, self.gamma_p, self.gamma_c])
        residual = (e**2 / np.maximum(self.blocks.cells.count, 1)).sum()
        return float(self.blocks.within + residual + ratios @ b), b, (a + a.T) / 2

    def moments(self) -> Moments:
        return site_moments(self)

    def random_effects(self, beta: FloatArray) -> tuple[FloatArray, ...]:
        """Predicted effects per term kept: (S,), (S, M), (S, J), (S, M, J)."""
        ratios = (self.gamma_a, self.gamma_m, self.gamma_p, self.gamma_c)
        effects = [ratio * g for ratio, g in zip(ratios, self._grouped(beta), strict=True)]
        s, m, j = self.w.shape
        shapes = [(s,), (s, m), (s, j), (s, m, j)]
        return tuple(effects[i].reshape(shapes[i]) for i in self.kept)


# Products with ones: for short axes many times faster than numpy's reductions.
def over_piles(x: FloatArray) -> FloatArray:
    """Sum (..., M, J) over piles."""
    return x @ np.ones(x.shape[-1])


def over_materials(x: FloatArray) -> FloatArray:
    """Sum (..., M, J) over materials."""
    return np.ones(x.shape[-2]) @ x


def _diagonal(x: FloatArray) -> FloatArray:
    return x[..., None] * np.eye(x.shape[-1])


def _symmetric(a: FloatArray) -> FloatArray:
    return (a + a.swapaxes(-1, -2)) / 2
