"""What a pile's temperature log says: time above thresholds, runs, degree-hours, coverage.

A log is (t, T): times t in hours from any origin, strictly increasing, and temperatures T in °C.
Between neighbouring readings no further apart than `max_gap_h` the temperature is taken as a
straight line; a longer gap is never bridged: it adds no time, no degree-hours, and it ends a run.
With h(x) = max(x, 0):

    hours above θ      = Σ ∫ 1[T(t) ≥ θ] dt
    degree-hours above = Σ ∫ h(T(t) − θ) dt      the trapezoid rule with the crossing as a node
    coverage           = Σ Δt of bridged intervals / span

At a threshold counts as above it.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from registry.science.types import BoolArray, FloatArray, ScienceError

THRESHOLDS_C = (40.0, 50.0, 55.0, 60.0, 65.0)
# Longer than this in the hot phase and nobody knows what the pile did (common practice, no source).
MAX_GAP_H = 4.0
# Hours are floats: readings exactly the limit apart must not fall on either side by rounding.
CLOCK_ROUNDING_H = 1e-6
DEGREE_HOURS_BASE_C = 40.0
HOT_C = 55.0


@dataclass(frozen=True, slots=True)
class ThermalSummary:
    """Numbers of one log. Hours throughout; `None` where the log is empty.

    `hours_above`, `longest_run_h` run beside `THRESHOLDS_C`. `hot_from_h`, `hot_until_h` are the
    first and last moment at or above 55 °C, on the clock of the log; `turnings_in_hot_phase` lie
    between them.
    """

    n_readings: int
    logged_h: float
    coverage: float
    max_c: float | None
    mean_c: float | None
    hours_above: tuple[float, ...]
    longest_run_h: tuple[float, ...]
    degree_hours: float
    degree_hours_base_c: float
    hot_from_h: float | None
    hot_until_h: float | None
    turnings_in_hot_phase: int

    def hours_at_least(self, celsius: float) -> float:
        return self.hours_above[THRESHOLDS_C.index(celsius)]

    def longest_run_at_least_h(self, celsius: float) -> float:
        return self.longest_run_h[THRESHOLDS_C.index(celsius)]


def celsius_from_fahrenheit(fahrenheit: FloatArray | float) -> FloatArray:
    """(T − 32)·5/9."""
    return (np.asarray(fahrenheit, dtype=float) - 32.0) * 5.0 / 9.0


def summarise(
    hours: FloatArray,
    celsius: FloatArray,
    turned_hours: FloatArray | None = None,
    *,
    span_h: float | None = None,
    max_gap_h: float = MAX_GAP_H,
    base_c: float = DEGREE_HOURS_BASE_C,
) -> ThermalSummary:
    """Summarise one probe's log.

    Parameters
    ----------
    hours : (n,) hours from any origin, strictly increasing.
    celsius : (n,) °C.
    turned_hours : (k,) turnings on the same clock.
    span_h : hours the log should cover; the log's own extent when None.

    Raises ScienceError when lengths differ, a value is not finite or times do not increase.
    """
    t, c = checked_log(hours, celsius)
    if t.size == 0:
        none = (0.0,) * len(THRESHOLDS_C)
        return ThermalSummary(0, 0.0, 0.0, None, None, none, none, 0.0, base_c, None, None, 0)
    bridged = _bridged(t, max_gap_h)
    logged = float(np.diff(t)[bridged].sum())
    span = float(t[-1] - t[0]) if span_h is None else span_h
    hot_from, hot_until = _hot_phase(t, c, bridged)
    above = [_above(t, c, bridged, theta) for theta in THRESHOLDS_C]
    found = ThermalSummary(
        n_readings=t.size,
        logged_h=logged,
        coverage=min(1.0, logged / span) if span > 0 else 0.0,
        max_c=float(c.max()),
        mean_c=_mean(t, c, bridged),
        hours_above=tuple(total for total, _ in above),
        longest_run_h=tuple(run for _, run in above),
        degree_hours=_degree_hours(t, c, bridged, base_c),
        degree_hours_base_c=base_c,
        hot_from_h=hot_from,
        hot_until_h=hot_until,
        turnings_in_hot_phase=0,
    )
    return with_turnings(found, turned_hours)


def with_turnings(summary: ThermalSummary, turned_hours: FloatArray | None) -> ThermalSummary:
    """The summary with the turnings, (k,) hours on its clock, that lie in its hot phase."""
    if summary.hot_from_h is None or turned_hours is None:
        return summary
    turned = np.asarray(turned_hours, dtype=float)
    in_phase = (turned >= summary.hot_from_h) & (turned <= summary.hot_until_h)
    return replace(summary, turnings_in_hot_phase=int(in_phase.sum()))


def checked_log(hours: FloatArray, celsius: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The log as float arrays, or a ScienceError that says what is wrong with it."""
    t, c = np.asarray(hours, dtype=float), np.asarray(celsius, dtype=float)
    if t.ndim != 1 or t.shape != c.shape:
        raise ScienceError("Times and temperatures must be two lists of one length.")
    if not (np.isfinite(t).all() and np.isfinite(c).all()):
        raise ScienceError("A temperature log must not hold missing or infinite numbers.")
    if (np.diff(t) <= 0).any():
        raise ScienceError("Times of a temperature log must increase; remove repeated readings.")
    return t, c


def hours_between(
    hours: FloatArray,
    celsius: FloatArray,
    low_c: float,
    high_c: float,
    max_gap_h: float = MAX_GAP_H,
) -> tuple[float, float]:
    """Total hours and longest run (h) with low_c ≤ T ≤ high_c."""
    t, c = checked_log(hours, celsius)
    if t.size < 2:
        return 0.0, 0.0
    t, c, bridged = _with_crossings(t, c, _bridged(t, max_gap_h), low_c)
    t, c, bridged = _with_crossings(t, c, bridged, high_c)
    # Every piece now lies on one side of both limits, so its ends tell.
    inside = bridged & (np.minimum(c[:-1], c[1:]) >= low_c) & (np.maximum(c[:-1], c[1:]) <= high_c)
    return _total_and_longest(np.diff(t), inside)


def spans_at_least(
    hours: FloatArray, celsius: FloatArray, low_c: float, max_gap_h: float = MAX_GAP_H
) -> FloatArray:
    """(k, 2) first and last hour of every run with T ≥ low_c, in order; gaps end a run."""
    t, c = checked_log(hours, celsius)
    if t.size < 2:
        return np.empty((0, 2))
    t, c, bridged = _with_crossings(t, c, _bridged(t, max_gap_h), low_c)
    inside = bridged & (np.minimum(c[:-1], c[1:]) >= low_c)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8)))
    return np.column_stack([t[edges[::2]], t[edges[1::2]]])


def gaps_longer_than(hours: FloatArray, max_gap_h: float = MAX_GAP_H) -> FloatArray:
    """(k, 2) last hour before and first hour after every gap of a log that is not bridged."""
    t = np.asarray(hours, dtype=float)
    at = np.flatnonzero(~_bridged(t, max_gap_h))
    return np.column_stack([t[at], t[at + 1]])


def _bridged(t: FloatArray, max_gap_h: float) -> BoolArray:
    return np.asarray(np.diff(t) <= max_gap_h + CLOCK_ROUNDING_H)


def _above(t: FloatArray, c: FloatArray, bridged: BoolArray, theta: float) -> tuple[float, float]:
    """Total hours and longest run at or above θ."""
    t, c, bridged = _with_crossings(t, c, bridged, theta)
    return _total_and_longest(np.diff(t), bridged & (np.minimum(c[:-1], c[1:]) >= theta))


def _with_crossings(
    t: FloatArray, c: FloatArray, bridged: BoolArray, theta: float
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """The same log with a node put in wherever a bridged interval crosses θ."""
    low, high = np.minimum(c[:-1], c[1:]), np.maximum(c[:-1], c[1:])
    at = np.flatnonzero(bridged & (low < theta) & (high > theta))
    if at.size == 0:
        return t, c, bridged
    share = (theta - c[at]) / (c[at + 1] - c[at])
    crossing = t[at] + share * (t[at + 1] - t[at])
    return (
        np.insert(t, at + 1, crossing),
        np.insert(c, at + 1, theta),
        np.insert(bridged, at + 1, True),
    )


def _total_and_longest(dt: FloatArray, inside: BoolArray) -> tuple[float, float]:
    """Total time of the marked intervals, and of the longest row of neighbours among them."""
    if not inside.any():
        return 0.0, 0.0
    elapsed = np.concatenate([[0.0], np.cumsum(np.where(inside, dt, 0.0))])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    return float(elapsed[-1]), float((elapsed[ends] - elapsed[starts]).max())


def _degree_hours(t: FloatArray, c: FloatArray, bridged: BoolArray, base: float) -> float:
    t, c, bridged = _with_crossings(t, c, bridged, base)
    excess = np.maximum(c - base, 0.0)
    area = 0.5 * (excess[:-1] + excess[1:]) * np.diff(t)
    return float(area[bridged].sum())


def _mean(t: FloatArray, c: FloatArray, bridged: BoolArray) -> float:
    """Mean over logged time; over readings when no two are near enough to span any."""
    dt = np.diff(t)[bridged]
    if dt.size == 0:
        return float(c.mean())
    return float((0.5 * (c[:-1] + c[1:])[bridged] * dt).sum() / math.fsum(dt))


def _hot_phase(
    t: FloatArray, c: FloatArray, bridged: BoolArray
) -> tuple[float | None, float | None]:
    t, c, _ = _with_crossings(t, c, bridged, HOT_C)
    hot = np.flatnonzero(c >= HOT_C)
    return (float(t[hot[0]]), float(t[hot[-1]])) if hot.size else (None, None)
