"""Exact second-order moments of the trial's model (see `criterion.Moments`), by site.

Site, site × material and pile are stacked as one "reduced" Z of r = 1 + M + J columns. With
X = I on materials, X within a site *is* the block of site × material columns, so all E are columns
of F. Written with block m of AZ equal to A_m, and D the q_m put on their own material::

    F_cells,pile = AZ (I − RK),   F_cells,site = F_cells,pile 1,   F_cells,material = D − AZ R Qᵀ

Only the (pile × material)² block of F is too large to form; what is needed of it is taken apart::

    ‖A − A Z R Zᵀ A‖² = Σ_m ‖A_m‖² − 2 tr(R Σ_m A_m³) + tr((R Σ_m A_m²)²)
"""

from typing import TYPE_CHECKING

import numpy as np

from registry.science.mixed.criterion import Moments
from registry.science.types import FloatArray

if TYPE_CHECKING:
    from registry.science.mixed.site_blocks import SitePoint


def site_moments(point: "SitePoint") -> Moments:
    """Moments of the terms `point` keeps, carried from materials to the columns of the design."""
    n_sites, m, j = point.w.shape
    a = _a_blocks(point)
    az_t = a.transpose(0, 3, 1, 2).reshape(n_sites, j, m * j)
    f_cells = _f_cells(point, az_t)
    z = _reduced_z(m, j)
    f = f_cells @ z.T
    gram = f_cells @ f_cells.transpose(0, 2, 1)
    part = (slice(0, 1), slice(1, 1 + m), slice(1 + m, 1 + m + j))
    e = [f[:, rows, part[1]] for rows in part]
    s = np.empty((4, m, m))
    product = np.empty((4, 4, m, m))
    for k in range(3):
        s[k] = _cross(e[k], e[k])
        for i in range(3):
            product[k, i] = _cross(e[k], f[:, part[k], part[i]] @ e[i])
        product[3, k] = (gram[:, part[1], part[k]] @ e[k]).sum(axis=0)
        product[k, 3] = product[3, k].T
    s[3] = gram[:, part[1], part[1]].sum(axis=0)
    product[3, 3] = _cells_product(point, f_cells[:, part[1]], az_t, z[part[1]])
    phi = _phi(point, f, gram, a, part)
    kept, design = point.kept, point.blocks.design
    return Moments(
        trace_f=point.trace_f()[kept],
        phi=phi[np.ix_(kept, kept)],
        s=design.T @ s[kept] @ design,
        m=design.T @ product[np.ix_(kept, kept)] @ design,
    )


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
    pile = np.eye(j) - point.k @ point.r
    site = pile.sum(axis=1, keepdims=True)
    f = np.concatenate([site, -point.q @ point.r, pile], axis=1) @ az_t
    own = np.arange(m)
    f.reshape(n_sites, 1 + m + j, m, j)[:, 1 + own, own] += point.q
    return f


def _cells_product(
    point: "SitePoint", e: FloatArray, az_t: FloatArray, z_material: FloatArray
) -> FloatArray:
    """(M, M) Σ_s eᵀ H⁻¹ e for e = H⁻¹X on cells, given as (S, M, M·J)."""
    n_sites, m, j = point.w.shape
    we = e * point.w.reshape(n_sites, 1, m * j)
    sums = we @ z_material.T
    pulled = e @ az_t.transpose(0, 2, 1)
    return (
        _cross_rows(we, e)
        - _cross_rows(sums * (point.gamma_m * point.v)[:, None], sums)
        - _cross_rows(pulled @ point.r, pulled)
    )


def _phi(
    point: "SitePoint", f: FloatArray, gram: FloatArray, a: FloatArray, part: tuple[slice, ...]
) -> FloatArray:
    """(4, 4) ‖F_kl‖²."""
    phi = np.empty((4, 4))
    squared = (f**2).sum(axis=0)
    against_cells = np.diagonal(gram, axis1=1, axis2=2).sum(axis=0)
    for k in range(3):
        phi[k, 3] = phi[3, k] = against_cells[part[k]].sum()
        for i in range(3):
            phi[k, i] = squared[part[k], part[i]].sum()
    a2 = a @ a
    r_a3 = (point.r * (a2 @ a).sum(axis=1)).sum()
    r_a2 = point.r @ a2.sum(axis=1)
    phi[3, 3] = (a**2).sum() - 2 * r_a3 + (r_a2 * r_a2.swapaxes(1, 2)).sum()
    return phi


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Σ_s aᵀ b for (S, c, M) arrays, (M, M)."""
    return a.reshape(-1, a.shape[2]).T @ b.reshape(-1, b.shape[2])


def _cross_rows(a: FloatArray, b: FloatArray) -> FloatArray:
    """Σ_s a bᵀ for (S, M, c) arrays, (M, M)."""
    return (a @ b.transpose(0, 2, 1)).sum(axis=0)
