"""Hourly temperatures of a pile: air, self-heating, turnings, and loggers that misbehave.

Shape (common practice, no source): a fresh heap peaks within two days, cools as it dries and
settles, falls at each turning and recovers within a day or two, and fades to the air over two to
three months.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from registry.simulation.plans import SitePlan
from registry.simulation.truth import FloatArray, IntArray

HOURS_PER_DAY = 24
WARMEST_DAY = 200  # of the year, northern half
HOURS_TO_PEAK = 14.0
# Share of the self-heating lost at a turning, and hours until two thirds of it are back.
TURNING_DIP = 0.45
TURNING_RECOVERY_H = 14.0
PROBE_NOISE_C = 0.35


@dataclass(frozen=True, slots=True)
class ProbeSeries:
    """One probe: `hour` (n,) hours since the pile was built, `celsius` (n,)."""

    probe: str
    hour: IntArray
    celsius: FloatArray


def air_c(site: SitePlan, hours: int, rng: np.random.Generator) -> FloatArray:
    """(hours,) air temperature from the day the pile was built."""
    hour = np.arange(hours)
    warmest = WARMEST_DAY if site.latitude >= 0 else WARMEST_DAY - 182
    day_of_year = site.started_on.timetuple().tm_yday + hour / HOURS_PER_DAY
    season = site.year_swing_c * np.cos(2 * np.pi * (day_of_year - warmest) / 365.25)
    daily = site.day_swing_c * np.cos(2 * np.pi * (hour - 15) / HOURS_PER_DAY)
    return site.mean_c + season + daily + _weather(hours, 2.0, 48.0, rng)


def core_c(
    air: FloatArray, peak_c: float, turning_hours: IntArray, rng: np.random.Generator
) -> FloatArray:
    """(hours,) temperature of the core of a pile that reaches about `peak_c`."""
    hour = np.arange(air.size)
    excess = max(peak_c - float(air[: 3 * HOURS_PER_DAY].mean()), 4.0)
    # Hotter piles are larger and better fed, so they stay hot longer.
    fade_h = HOURS_PER_DAY * (30.0 + 1.6 * max(peak_c - 40.0, 0.0))
    heating = (1 - np.exp(-hour / HOURS_TO_PEAK)) * np.exp(-((hour / fade_h) ** 1.5))
    for turned in turning_hours:
        since = np.maximum(hour - turned, 0)
        heating = heating * np.where(
            hour >= turned, 1 - TURNING_DIP * np.exp(-since / TURNING_RECOVERY_H), 1.0
        )
    damped_air = air.mean() + 0.25 * (air - air.mean())
    core = damped_air + excess * heating + _weather(air.size, 1.2, 60.0, rng)
    # Above 70 °C the pile's own life dies off: hold the top below what is dangerous.
    return np.where(core > 70.0, 70.0 + 5.0 * np.tanh((core - 70.0) / 5.0), core)


def read_by(probe: str, core: FloatArray, offset_c: float, rng: np.random.Generator) -> ProbeSeries:
    """A probe's hourly readings to a tenth of a degree, a few missing."""
    reading = core + offset_c + PROBE_NOISE_C * rng.standard_normal(core.size)
    kept = np.flatnonzero(rng.random(core.size) > 0.002)
    return ProbeSeries(probe, kept, np.round(reading[kept], 1))


def left_out(series: ProbeSeries, air: FloatArray, start_hour: int, hours: int) -> ProbeSeries:
    """The same probe, lying in the open air beside the pile for a span."""
    outside = (series.hour >= start_hour) & (series.hour < start_hour + hours)
    celsius = np.where(outside, np.round(air[series.hour], 1), series.celsius)
    return ProbeSeries(series.probe, series.hour, celsius)


def _weather(hours: int, spread: float, memory_h: float, rng: np.random.Generator) -> FloatArray:
    """First-order autoregressive noise with stationary SD `spread`."""
    keep = np.exp(-1.0 / memory_h)
    shocks = spread * np.sqrt(1 - keep**2) * rng.standard_normal(hours)
    shocks[0] = spread * rng.standard_normal()
    return lfilter([1.0], [1.0, -keep], shocks)
