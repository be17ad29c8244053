"""Exact second-order moments of the trial's model (see `criterion.Moments`).

Written with the operator H⁻¹ on cells (`SitePoint.solve`) and with Z_k, Z_kᵀ as spreading and
summing over axes of (S, M, J): site over both, site × material over piles, pile over materials,
pile × material over none. Only the (pile × material)² block of F, too large to form, is taken
apart: with block m of AZ equal to A_m,

    ‖A − A Z R Zᵀ A‖² = Σ_m ‖A_m‖² − 2 tr(R Σ_m A_m³) + tr((R Σ_m A_m²)²).
"""

from typing import TYPE_CHECKING

import numpy as np

from registry.science.mixed.criterion import Moments
from registry.science.types import FloatArray

if TYPE_CHECKING:
    from registry.science.mixed.site_blocks import SitePoint

# Axes of (S, M, J) that Z_kᵀ sums over, in the order of `ALL_TERMS`.
SUMMED_AXES: tuple[tuple[int, ...], ...] = ((1, 2), (2,), (1,), ())


def site_moments(point: "SitePoint") -> Moments:
    """Moments of the terms `point` keeps."""
    kept = point.kept
    blocks = point.blocks
    shape = point.w.shape
    x = np.broadcast_to(blocks.design[:, None], (*shape, blocks.design.shape[1]))
    e = point.solve(x)
    grouped = [e.sum(axis=SUMMED_AXES[k], keepdims=True) for k in kept]
    spread = [np.broadcast_to(g, e.shape) for g in grouped]
    solved = [point.solve(g) for g in spread]
    s = np.stack([_cross(g, g) for g in grouped])
    m = np.stack([np.stack([_cross(g, h) for h in solved]) for g in spread])
    phi = _phi(point)[np.ix_(kept, kept)]
    return Moments(trace_f=point.trace_f()[kept], phi=phi, s=s, m=m)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Σ over cells of a bᵀ, (p, p)."""
    return a.reshape(-1, a.shape[-1]).T @ b.reshape(-1, b.shape[-1])


def _phi(point: "SitePoint") -> FloatArray:
    """(4, 4) ‖F_kl‖², from the columns of site, site × material and pile, and the identity above."""
    n_sites, m, j = point.w.shape
    z = _reduced_z(m, j)
    f_cells = point.solve(np.broadcast_to(z, (n_sites, *z.shape)))
    group = np.repeat([0, 1, 2], [1, m, j])
    member = (group[:, None] == np.arange(3)).astype(float)
    f_reduced = z.reshape(m * j, -1).T @ f_cells.reshape(n_sites, m * j, -1)
    phi = np.empty((4, 4))
    phi[:3, :3] = member.T @ (f_reduced**2).sum(axis=0) @ member
    phi[3, :3] = phi[:3, 3] = (f_cells**2).sum(axis=(0, 1, 2)) @ member
    phi[3, 3] = _phi_cells(point)
    return phi


def _reduced_z(m: int, j: int) -> FloatArray:
    """(M, J, 1 + M + J) columns of site, site × material and pile within one site."""
    site = np.ones((m, j, 1))
    site_material = np.broadcast_to(np.eye(m)[:, None], (m, j, m))
    pile = np.broadcast_to(np.eye(j), (m, j, j))
    return np.concatenate([site, site_material, pile], axis=-1)


def _phi_cells(point: "SitePoint") -> float:
    w = point.w
    a = w[..., None] * np.eye(w.shape[2]) - point.gamma_m * point.q[..., None] * w[..., None, :]
    a2 = a @ a
    r_a3 = (point.r * (a2 @ a).sum(axis=1)).sum()
    ra2 = point.r @ a2.sum(axis=1)
    return float((a**2).sum() - 2 * r_a3 + (ra2 * ra2.swapaxes(1, 2)).sum())
