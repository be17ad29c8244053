"""Exact second-order moments of the trial's model (see `criterion.Moments`), by site.

Site, site × material and pile are stacked as one "reduced" Z of r = 1 + M + J columns. With
X = I on materials, X within a site *is* the block of site × material columns, so all E are columns
of F. Written with block m of AZ equal to A_m, and D the q_m put on their own material::

    F_cells,pile = AZ Tᵀ,   F_cells,site = AZ Tᵀ1,   F_cells,material = D − AZ R Qᵀ

The residual works on bags, and a bag of cell c carries 1/N_c of the cell's entry, so quantities
with the residual are those of pile × material with a weight 1/N on cells, plus n − C for the
contrasts inside C cells. (I = H − Σ γ_k G_k would give them too, but at the price of γ² digits.)
"""

from typing import TYPE_CHECKING

import numpy as np

from registry.science.mixed.criterion import Moments
from registry.science.types import FloatArray

if TYPE_CHECKING:
    from registry.science.mixed.site_blocks import SitePoint


def site_moments(point: "SitePoint") -> Moments:
    """Moments of the residual and the terms `point` keeps, for the columns of the design."""
    n_sites, m, j = point.w.shape
    a = _a_blocks(point)
    az_t = a.transpose(0, 3, 1, 2).reshape(n_sites, j, m * j)
    f_cells = _f_cells(point, az_t)
    count = point.blocks.cells.count
    share = np.where(count > 0, 1 / np.maximum(count, 1), 0.0)
    weighted = f_cells * share.reshape(n_sites, 1, m * j)
    z = _reduced_z(m, j)
    part = (slice(0, 1), slice(1, 1 + m), slice(1 + m, 1 + m + j))
    f = f_cells @ z.T
    gram = f_cells @ f_cells.transpose(0, 2, 1)
    gram_0 = weighted @ f_cells.transpose(0, 2, 1)
    s, product = _on_materials(f, gram, gram_0, part)
    e, e_0 = f_cells[:, part[1]], weighted[:, part[1]]
    product[4, 4] = _cells_product(point, e, e, az_t, z[part[1]])
    product[0, 4] = _cells_product(point, e_0, e, az_t, z[part[1]])
    product[4, 0] = product[0, 4].T
    product[0, 0] = _cells_product(point, e_0, e_0, az_t, z[part[1]])
    phi = _phi(f, gram, gram_0, part)
    phi[4, 4] = _phi_cells(point, a, np.ones_like(share), np.ones_like(share))
    phi[0, 4] = phi[4, 0] = _phi_cells(point, a, share, np.ones_like(share))
    phi[0, 0] = _phi_cells(point, a, share, share) + point.blocks.n - (count > 0).sum()
    kept, design = [0, *(1 + k for k in point.kept)], point.blocks.design
    return Moments(
        phi=phi[np.ix_(kept, kept)],
        s=design.T @ s[kept] @ design,
        m=design.T @ product[np.ix_(kept, kept)] @ design,
    )


def _on_materials(
    f: FloatArray, gram: FloatArray, gram_0: FloatArray, part: tuple[slice, ...]
) -> tuple[FloatArray, FloatArray]:
    """s (5, M, M) and m (5, 5, M, M) for X = I; cells with cells are left to the caller."""
    material = part[1]
    m = f[:, material, material].shape[1]
    e = [f[:, rows, material] for rows in part]
    s = np.empty((5, m, m))
    product = np.empty((5, 5, m, m))
    s[0] = gram_0[:, material, material].sum(axis=0)
    s[4] = gram[:, material, material].sum(axis=0)
    for k in range(3):
        s[1 + k] = _cross(e[k], e[k])
        for i in range(3):
            product[1 + k, 1 + i] = _cross(e[k], f[:, part[k], part[i]] @ e[i])
        for cells, g in ((0, gram_0), (4, gram)):
            product[cells, 1 + k] = (g[:, material, part[k]] @ e[k]).sum(axis=0)
            product[1 + k, cells] = product[cells, 1 + k].T
    return s, product


def _a_blocks(point: "SitePoint") -> FloatArray:
    """(S, M, J, J) A_m, symmetric."""
    w = point.w
    rank_one = point.q[..., None] * w[..., None, :]
    return w[..., None] * np.eye(w.shape[2]) - point.gamma_m * rank_one


def _reduced_z(m: int, j: int) -> FloatArray:
    """(r, M·J) rows of Zᵀ: site, site × material and pile within one site."""
    site = np.ones((1, m * j))
    site_material = np.repeat(np.eye(m), j, axis=1)
    pile = np.tile(np.eye(j), (1, m))
    return np.concatenate([site, site_material, pile])


def _f_cells(point: "SitePoint", az_t: FloatArray) -> FloatArray:
    """(S, r, M·J) Zᵀ H⁻¹ on cells."""
    n_sites, m, j = point.w.shape
    pile = point.t_pile
    f = np.concatenate([point.t_site[:, None], -point.q @ point.r, pile], axis=1) @ az_t
    own = np.arange(m)
    f.reshape(n_sites, 1 + m + j, m, j)[:, 1 + own, own] += point.q
    return f


def _cells_product(
    point: "SitePoint", left: FloatArray, right: FloatArray, az_t: FloatArray, z: FloatArray
) -> FloatArray:
    """(M, M) Σ_s left H⁻¹ rightᵀ for (S, M, M·J) rows on cells; `z` sums over piles."""
    n_sites, m, j = point.w.shape
    w = point.w.reshape(n_sites, 1, m * j)
    weighted = left * w
    sums = weighted @ z.T
    other = sums if left is right else (right * w) @ z.T
    pulled = left @ az_t.transpose(0, 2, 1)
    pulled_other = pulled if left is right else right @ az_t.transpose(0, 2, 1)
    return (
        _cross_rows(weighted, right)
        - _cross_rows(sums * (point.gamma_m * point.v)[:, None], other)
        - _cross_rows(pulled @ point.r, pulled_other)
    )


def _phi(
    f: FloatArray,
    gram: FloatArray,
    gram_0: FloatArray,
    part: tuple[slice, ...],
) -> FloatArray:
    """(5, 5) ‖F_kl‖²; cells with cells are left to the caller."""
    phi = np.empty((5, 5))
    squared = (f**2).sum(axis=0)
    for k in range(3):
        for i in range(3):
            phi[1 + k, 1 + i] = squared[part[k], part[i]].sum()
        for cells, g in ((0, gram_0), (4, gram)):
            own = np.diagonal(g, axis1=1, axis2=2)[:, part[k]].sum()
            phi[1 + k, cells] = phi[cells, 1 + k] = own
    return phi


def _phi_cells(point: "SitePoint", a: FloatArray, left: FloatArray, right: FloatArray) -> float:
    """Σ_cd left_c right_d (H⁻¹_cd)² over cells, whose (S, M·J, M·J) matrix is too large to form.

    H⁻¹ = A − A Z R Zᵀ A, and A is block-diagonal:  Σ (A_m)² − 2 Σ A_m ∘ A_m R A_m + tr(R K₁ R K₂),
    every sum weighted, K_i = Σ_m A_m diag(weight_i) A_m.
    """
    weight = left[..., None] * right[..., None, :]
    pulled = a @ point.r[:, None] @ a
    own = (weight * a * (a - 2 * pulled)).sum()
    k_left = ((a * left[..., None, :]) @ a).sum(axis=1)
    k_right = ((a * right[..., None, :]) @ a).sum(axis=1)
    both = ((point.r @ k_left) * (point.r @ k_right).swapaxes(1, 2)).sum()
    return float(own + both)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Σ_s aᵀ b for (S, c, M) arrays, (M, M)."""
    return a.reshape(-1, a.shape[2]).T @ b.reshape(-1, b.shape[2])


def _cross_rows(a: FloatArray, b: FloatArray) -> FloatArray:
    """Σ_s a bᵀ for (S, M, c) arrays, (M, M)."""
    return (a @ b.transpose(0, 2, 1)).sum(axis=0)
