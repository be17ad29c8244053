"""Joint tests of q combinations L β = 0, with the small-sample corrections of each method.

Kenward & Roger (1997), eq. 8 ff., as in Halekoh & Højsgaard (2014), sec. 4.2; the Satterthwaite
version is Fai & Cornelius (1996, J. Stat. Comput. Simul. 54, 363-378) as in lmerTest.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution

from registry.science.mixed.degrees_of_freedom import (
    Boundary,
    DfMethod,
    adjusted_vcov,
    covariance_of_components,
    estimate_linear,
    varying,
)
from registry.science.mixed.general import MixedFit
from registry.science.mixed.information import Information
from registry.science.types import FloatArray, ScienceError


@dataclass(frozen=True)
class FTest:
    """F with its degrees of freedom; `f` already carries Kenward and Roger's scale λ."""

    f: float
    numerator_df: int
    denominator_df: float
    p: float


def f_test(
    fit: MixedFit, l: FloatArray, method: DfMethod = "kenward_roger", boundary: Boundary = "drop"
) -> FTest:
    """Test L β = 0; `l` is (q, p) of full row rank.

    Raises
    ------
    ScienceError : the denominator would have no more than 2 degrees of freedom, where the
        Kenward–Roger approximation does not exist.
    """
    if method == "satterthwaite":
        return _fai_cornelius(fit, l, boundary)
    info = varying(fit, boundary)
    scale, df = _kenward_roger_scale(info, l)
    value = l @ fit.beta
    q = len(l)
    wald = float(value @ np.linalg.solve(l @ adjusted_vcov(info) @ l.T, value)) / q
    return _finish(scale * wald, q, df)


def _kenward_roger_scale(info: Information, l: FloatArray) -> tuple[float, float]:
    """λ and the denominator df."""
    q = len(l)
    c = info.vcov
    theta = l.T @ np.linalg.solve(l @ c @ l.T, l)
    w = covariance_of_components(info, "kenward_roger")
    each = theta @ c @ info.pi @ c
    trace = np.trace(each, axis1=1, axis2=2)
    a1 = float(trace @ w @ trace)
    a2 = float(np.einsum("ij,iab,jba->", w, each, each, optimize=True))
    if q == 1:
        # The general formula in the limit, where it divides zero by zero at 2 degrees of freedom.
        return 1.0, 2 / a2
    if a2 >= q:
        raise ScienceError("Too few sites and piles for a joint test of this many differences.")
    b = (a1 + 6 * a2) / (2 * q)
    g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
    bottom = 3 * q + 2 * (1 - g)
    c1, c2, c3 = g / bottom, (q - g) / bottom, (q + 2 - g) / bottom
    mean = 1 / (1 - a2 / q)
    shrink = (1 - c2 * b) ** 2 * (1 - c3 * b)
    if shrink <= 0 or (1 + c1 * b) <= shrink * mean**2:
        raise ScienceError("Too few sites and piles for a joint test of this many differences.")
    ratio = (1 + c1 * b) / (q * shrink * mean**2)
    df = 4 + (q + 2) / (q * ratio - 1)
    return df / (mean * (df - 2)), df


def _fai_cornelius(fit: MixedFit, l: FloatArray, boundary: Boundary) -> FTest:
    q = len(l)
    d, u = np.linalg.eigh(l @ fit.vcov @ l.T)
    rotated = u.T @ l
    t2 = (rotated @ fit.beta) ** 2 / d
    df = estimate_linear(fit, rotated, "satterthwaite", boundary).df
    if np.ptp(df) < 1e-8 * df.mean():
        return _finish(t2.sum() / q, q, float(df.mean()))
    expected = (df[df > 2] / (df[df > 2] - 2)).sum()
    denominator = 2 * expected / (expected - q) if expected > q else 2.0
    return _finish(t2.sum() / q, q, float(denominator))


def _finish(f: float, q: int, df: float) -> FTest:
    return FTest(float(f), q, float(df), float(f_distribution.sf(f, q, df)))
