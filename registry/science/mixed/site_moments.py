"""Exact second-order moments of the trial's model (see `criterion.Moments`), by site.

With X = I on materials, everything about the cells of a site is a block-diagonal part and a part of
rank J. B is AZ, whose block m is A_m; D puts q_m on the cells of material m; L = Q R::

    H⁻¹ = A − B R Bᵀ            XᵀH⁻¹ = D − L Bᵀ
    E_site = 1ᵀT Qᵀ             E_pile = T Qᵀ            E_material = diag(v Σw) − L Qᵀ

The residual works on bags, and a bag of cell c carries 1/N_c of the cell's entry. So pile ×
material and the residual are one quantity under two weights on cells, W = 1 and W = 1/N; the
residual adds n − C for the contrasts of bags inside C cells. Multiplied out, nothing is larger than
M × J per site, or M × M once.
"""

from itertools import combinations_with_replacement
from typing import TYPE_CHECKING

import numpy as np

from registry.science.mixed.criterion import Moments
from registry.science.types import FloatArray

if TYPE_CHECKING:
    from registry.science.mixed.site_blocks import SitePoint

# Places of the components in every array here.
RESIDUAL, SITE, SITE_MATERIAL, PILE, PILE_MATERIAL = range(5)
ON_CELLS = (RESIDUAL, PILE_MATERIAL)


def site_moments(point: "SitePoint") -> Moments:
    """Moments of the residual and the terms `point` keeps, for the columns of the design."""
    parts = _Parts(point)
    phi, s, m = parts.of_groups()
    for cells in ON_CELLS:
        parts.add_groups_with_cells(cells, phi, s, m)
    for cells, other in combinations_with_replacement(ON_CELLS, 2):
        phi[cells, other] = phi[other, cells] = parts.phi_of_cells(cells, other)
        m[cells, other] = parts.m_of_cells(cells, other)
        m[other, cells] = m[cells, other].T
    count = point.blocks.cells.count
    phi[RESIDUAL, RESIDUAL] += point.blocks.n - (count > 0).sum()
    kept, design = [RESIDUAL, *(1 + k for k in point.kept)], point.blocks.design
    return Moments(
        phi=phi[np.ix_(kept, kept)],
        s=design.T @ s[kept] @ design,
        m=design.T @ m[np.ix_(kept, kept)] @ design,
    )


class _Parts:
    """The small matrices of each site that all moments are made of."""

    def __init__(self, point: "SitePoint") -> None:
        w, q = point.w, point.q
        n_sites, n_materials, n_piles = w.shape
        self.r, self.q = point.r, q
        self.l = q @ point.r
        self.a = w[..., None] * np.eye(n_piles) - point.gamma_m * q[..., None] * w[..., None, :]
        count = point.blocks.cells.count
        self.weight = {
            RESIDUAL: np.where(count > 0, 1 / np.maximum(count, 1), 0.0),
            PILE_MATERIAL: np.ones(w.shape),
        }
        # Zᵀ H⁻¹ on cells is `onto` Bᵀ for site and pile, and D − L Bᵀ for site × material.
        self.onto = {SITE: point.t_site[:, None], PILE: point.t_pile}
        sums = (point.v * point.t)[..., None] * np.eye(n_materials)
        self.e = {
            SITE: self.onto[SITE] @ q.transpose(0, 2, 1),
            PILE: self.onto[PILE] @ q.transpose(0, 2, 1),
            SITE_MATERIAL: sums - self.l @ q.transpose(0, 2, 1),
        }
        f_pile = point.t_pile @ point.k
        self.f = {
            (SITE, SITE): (point.u * point.f_site)[:, None, None],
            (SITE, PILE): point.t_site[:, None] @ point.k,
            (PILE, PILE): f_pile,
        }
        # D W B (S, M, J) and Bᵀ W B (S, J, J) per weight.
        self.dwb = {c: _row_times(q * x, self.a) for c, x in self.weight.items()}
        self.bwb = {
            c: _over_materials(self.a * x[..., None, :], self.a) for c, x in self.weight.items()
        }

    def group_f(self, k: int, i: int) -> FloatArray:
        """F_ki (S, q_k, q_i) for site, site × material and pile."""
        if (k, i) in self.f:
            return self.f[k, i]
        if (i, k) in self.f:
            return self.f[i, k].transpose(0, 2, 1)
        return self.e[k] if i == SITE_MATERIAL else self.e[i].transpose(0, 2, 1)

    def of_groups(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """φ, s and m with everything on cells still to be filled in."""
        n_materials = self.q.shape[1]
        phi, s = np.zeros((5, 5)), np.zeros((5, n_materials, n_materials))
        m = np.zeros((5, 5, n_materials, n_materials))
        for k, e_k in self.e.items():
            s[k] = _cross(e_k, e_k)
            for i, e_i in self.e.items():
                f = self.group_f(k, i)
                phi[k, i] = (f**2).sum()
                m[k, i] = _cross(e_k, f @ e_i)
        return phi, s, m

    def add_groups_with_cells(
        self, cells: int, phi: FloatArray, s: FloatArray, m: FloatArray
    ) -> None:
        """What couples cells, under their weight W, with site, site × material and pile."""
        dwb, bwb, l_t = self.dwb[cells], self.bwb[cells], self.l.transpose(0, 2, 1)
        dwd = (self.q**2 * self.weight[cells]).sum(axis=2)[..., None] * np.eye(self.q.shape[1])
        # XᵀH⁻¹ W B, and with it XᵀH⁻¹ W H⁻¹Z for each term.
        ewb = dwb - self.l @ bwb
        gram = {
            SITE: ewb @ self.onto[SITE].transpose(0, 2, 1),
            PILE: ewb @ self.onto[PILE].transpose(0, 2, 1),
            SITE_MATERIAL: dwd - self.l @ dwb.transpose(0, 2, 1) - ewb @ l_t,
        }
        s[cells] = gram[SITE_MATERIAL].sum(axis=0)
        phi[cells, SITE_MATERIAL] = np.trace(s[cells])
        for k, onto in self.onto.items():
            phi[cells, k] = ((onto @ bwb) * onto).sum()
        for k, e_k in self.e.items():
            m[cells, k] = (gram[k] @ e_k).sum(axis=0)
            m[k, cells] = m[cells, k].T
            phi[k, cells] = phi[cells, k]

    def m_of_cells(self, left: int, right: int) -> FloatArray:
        """(M, M) Σ_s XᵀH⁻¹ W₁ H⁻¹ W₂ H⁻¹X."""
        x, y = self.weight[left], self.weight[right]
        dxa, dya = _row_times(self.q * x, self.a), _row_times(self.q * y, self.a)
        dxayb, dyaxb = _row_times(dxa * y, self.a), _row_times(dya * x, self.a)
        baab = _over_materials((self.a * x[..., None, :]) @ (self.a * y[..., None, :]), self.a)
        exb = self.dwb[left] - self.l @ self.bwb[left]
        eyb = self.dwb[right] - self.l @ self.bwb[right]
        return (
            np.diag((dxa * y * self.q).sum(axis=(0, 2)))
            + _cross_rows(self.l @ baab - dxayb, self.l)
            - _cross_rows(self.l, dyaxb)
            - _cross_rows(exb @ self.r, eyb)
        )

    def phi_of_cells(self, left: int, right: int) -> float:
        """Σ_cd w₁_c w₂_d (H⁻¹_cd)², by  A∘A − 2 A∘(A R A) + tr(R BᵀW₁B R BᵀW₂B)."""
        x, y = self.weight[left], self.weight[right]
        pulled = self.a @ self.r[:, None] @ self.a
        own = x[..., None] * y[..., None, :] * self.a * (self.a - 2 * pulled)
        both = (self.r @ self.bwb[left]) * (self.r @ self.bwb[right]).swapaxes(1, 2)
        return float(own.sum() + both.sum())


def _row_times(rows: FloatArray, a: FloatArray) -> FloatArray:
    """(S, M, J) row_m A_m."""
    return np.asarray(np.einsum("smj,smjk->smk", rows, a))


def _over_materials(left: FloatArray, right: FloatArray) -> FloatArray:
    """(S, J, J) Σ_m left_m right_m for (S, M, J, J) blocks, as one product per site."""
    n_sites, _, n_piles, _ = left.shape
    wide = left.transpose(0, 2, 1, 3).reshape(n_sites, n_piles, -1)
    return wide @ right.reshape(n_sites, -1, n_piles)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Σ_s aᵀ b for (S, c, M) arrays, (M, M)."""
    return a.reshape(-1, a.shape[2]).T @ b.reshape(-1, b.shape[2])


def _cross_rows(a: FloatArray, b: FloatArray) -> FloatArray:
    """Σ_s a bᵀ for (S, M, J) arrays, (M, M)."""
    m = a.shape[1]
    return a.transpose(1, 0, 2).reshape(m, -1) @ b.transpose(1, 0, 2).reshape(m, -1).T
