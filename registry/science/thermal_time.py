"""Thermal time: ways to put piles of different heat on one time axis. A labelled sensitivity only.

A Q10 of 2 was found adequate for about 5–35 °C (Kätterer, Reichstein, Andrén and Lomander 1998,
Biology and Fertility of Soils 27, 258–262, read in abstract). Compost is hotter than that, and
above roughly 65–70 °C decay slows, so nothing here is a primary answer.
"""

import numpy as np

from registry.science.types import FloatArray, ScienceError

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
KELVIN = 273.15
Q10_SUPPORTED_C = (5.0, 35.0)


def degree_days(daily_mean_c: FloatArray, base_c: float) -> float:
    """Σ max(T − base, 0) over days, °C·d, from one mean per day."""
    return float(np.maximum(np.asarray(daily_mean_c, dtype=float) - base_c, 0.0).sum())


def equivalent_days(
    days: FloatArray, celsius: FloatArray, reference_c: float, q10: float = 2.0
) -> float:
    """Days at `reference_c` that would do as much: Σ d·Q10^((T − Tref)/10)."""
    if not q10 > 0:
        raise ScienceError("Q10 is a positive number.")
    exponent = (np.asarray(celsius, dtype=float) - reference_c) / 10.0
    return float((np.asarray(days, dtype=float) * q10**exponent).sum())


def q10_is_supported(celsius: FloatArray) -> bool:
    """Whether all temperatures lie where a constant Q10 of 2 was found adequate."""
    low, high = Q10_SUPPORTED_C
    c = np.asarray(celsius, dtype=float)
    return bool(((c >= low) & (c <= high)).all())


def arrhenius_ratio(activation_kj_mol: float, from_c: float, to_c: float) -> float:
    """k(to)/k(from) = exp(Eₐ/R·(1/T_from − 1/T_to)), temperatures in K."""
    if min(from_c, to_c) <= -KELVIN:
        raise ScienceError("A temperature lies below absolute zero.")
    inverse = 1.0 / (from_c + KELVIN) - 1.0 / (to_c + KELVIN)
    return float(np.exp(activation_kj_mol * 1000.0 / GAS_CONSTANT * inverse))
