"""Satterthwaite and Kenward–Roger degrees of freedom for estimable combinations lᵀβ.

With C_V = vcov(β̂), g_i = lᵀ C_V Π_i C_V l (the derivative of its variance in θ_i) and W the
covariance of θ̂::

    df = 2 (lᵀ C_V l)² / (gᵀ W g)
    Satterthwaite    W = 2 · observed⁻¹        standard error from C_V
    Kenward–Roger    W = 2 · expected⁻¹        standard error from C_A = C_V + 2 Λ
    Λ = C_V [Σ_ij W_ij (ρ_ij − Π_i C_V Π_j)] C_V

For one contrast Kenward and Roger's scaled F reduces to exactly this df and scale 1.

A component estimated as zero does not vary, so it is dropped (`boundary="drop"`): its uncertainty
is one-sided and no quadratic describes it. `boundary="keep"` differentiates in it all the same, as
pbkrtest does, and is the cautious reading.

References
----------
Kenward & Roger (1997) Biometrics 53, 983-997. Giesbrecht & Burns (1985) Biometrics 41, 477-486.
Kuznetsova, Brockhoff & Christensen (2017) J. Stat. Softw. 82(13). Halekoh & Højsgaard (2014)
J. Stat. Softw. 59(9).
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from registry.science.mixed.general import MixedFit
from registry.science.mixed.information import Information, keep
from registry.science.types import FloatArray

# Traces behind the scaled information carry about twelve digits at ordinary variance ratios.
LEAST_INFORMATION = 1e-10

Boundary = Literal["drop", "keep"]
DfMethod = Literal["kenward_roger", "satterthwaite"]


@dataclass(frozen=True)
class Linear:
    """Estimates of m combinations L β: (m,) each, `covariance` (m, m)."""

    estimate: FloatArray
    standard_error: FloatArray
    df: FloatArray
    covariance: FloatArray


def estimate_linear(
    fit: MixedFit, l: FloatArray, method: DfMethod = "kenward_roger", boundary: Boundary = "drop"
) -> Linear:
    """Estimates, standard errors and degrees of freedom of the rows of `l` (m, p)."""
    info = varying(fit, boundary)
    if method == "kenward_roger":
        w, vcov = _w_expected(info), adjusted_vcov(info)
    else:
        w, vcov = _w_observed(info), info.vcov
    covariance = l @ vcov @ l.T
    return Linear(
        estimate=l @ fit.beta,
        standard_error=np.sqrt(np.diag(covariance)),
        df=_df(info, w, l),
        covariance=covariance,
    )


def varying(fit: MixedFit, boundary: Boundary = "drop") -> Information:
    """The fit's information about the components that vary."""
    info = fit.information
    if boundary == "keep":
        return info
    return keep(info, [i for i, n in enumerate(info.names) if n not in fit.at_boundary])


def adjusted_vcov(info: Information) -> FloatArray:
    """(p, p) Kenward–Roger C_A; V is linear in θ, so the second-derivative term is nil."""
    c = info.vcov
    w = _w_expected(info)
    cross = np.einsum("iab,bc,jcd->ijad", info.pi, c, info.pi, optimize=True)
    inner = np.einsum("ij,ijab->ab", w, info.rho - cross)
    adjusted = c + 2 * c @ inner @ c
    return (adjusted + adjusted.T) / 2


def covariance_of_components(info: Information, method: DfMethod) -> FloatArray:
    """(I, I) W: asymptotic covariance of the variance components."""
    return _w_expected(info) if method == "kenward_roger" else _w_observed(info)


def _w_expected(info: Information) -> FloatArray:
    return 2 * _inverse(info.expected)


def _w_observed(info: Information) -> FloatArray:
    return 2 * _inverse(info.observed)


def _df(info: Information, w: FloatArray, l: FloatArray) -> FloatArray:
    half = l @ info.vcov
    g = np.einsum("ma,iab,mb->mi", half, info.pi, half, optimize=True)
    variance = (half * l).sum(axis=1)
    return 2 * variance**2 / np.einsum("mi,ij,mj->m", g, w, g)


def _inverse(information: FloatArray) -> FloatArray:
    """Inverse after scaling to unit diagonal, so that variances of very different size agree.

    A direction the data hardly inform gets the largest uncertainty arithmetic can hold, hence next
    to no degrees of freedom, rather than a sign decided by rounding.
    """
    scale = 1 / np.sqrt(np.abs(np.diag(information)))
    value, vector = np.linalg.eigh(information * np.outer(scale, scale))
    root = (vector / np.sqrt(np.maximum(value, LEAST_INFORMATION))) * scale[:, None]
    return root @ root.T
