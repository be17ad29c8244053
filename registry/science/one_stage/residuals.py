"""Log densities and log distribution functions of a standardised residual, with three derivatives.

G is normal, or Student with ν degrees of freedom as a sensitivity (Lange, Little & Taylor 1989,
JASA 84, 881-896). Every function returns G, G', G'', G''' at r (n,).
"""

from collections.abc import Callable

import numpy as np
from scipy.special import erfcx, gammaln, log_ndtr, stdtr

from registry.science.types import FloatArray, IntArray

LOG_SQRT_2PI = 0.5 * np.log(2.0 * np.pi)

Scalar = Callable[[FloatArray], tuple[FloatArray, ...]]


def residual_laws(nu: float | None) -> tuple[Scalar, Scalar]:
    """Log density and log distribution function; `nu` = None is the normal law."""
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
