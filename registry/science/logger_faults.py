"""Loggers that tell something else than the pile's temperature: °F taken for °C, or left outside.

Thresholds are common practice, no source, unless said otherwise. Nothing is corrected silently:
a suspicion is reported, and a span out of the pile is left out and shown.
"""

from dataclasses import dataclass

import numpy as np

from registry.science.thermal import MAX_GAP_H, celsius_from_fahrenheit, checked_log
from registry.science.types import BoolArray, FloatArray

# No live pile is hotter: the life in it has died long before.
IMPOSSIBLE_ABOVE_C = 90.0
ASK_ABOVE_C = 75.0
LIVE_RANGE_C = (-20.0, 90.0)
# So near to the air, so long, while its neighbour is so much hotter: not in the pile.
NEAR_AIR_C = 3.0
NEIGHBOUR_HOTTER_C = 15.0
OUT_LONGER_THAN_H = 6.0
# With air alone to compare, the pile must have been hot shortly before.
HOT_BEFORE_H = 12.0


@dataclass(frozen=True, slots=True)
class UnitSuspicion:
    """Verdict on the declared °C: `plausible`, `ask` or `fahrenheit` (or another impossible unit).

    `as_celsius` (n,) is what the readings would be if they were °F, for showing beside them.
    """

    verdict: str
    n_above_ask: int
    n_impossible: int
    as_celsius: FloatArray
    sentence: str


@dataclass(frozen=True, slots=True)
class OutsideSpan:
    """A span in which a logger lay outside its pile; both ends are readings, in hours."""

    from_h: float
    until_h: float
    because: str
    probe: str = ""

    @property
    def hours(self) -> float:
        return self.until_h - self.from_h


def suspect_unit(celsius: FloatArray) -> UnitSuspicion:
    """Whether readings declared as °C, (n,), look like °F."""
    c = np.asarray(celsius, dtype=float)
    as_celsius = celsius_from_fahrenheit(c)
    impossible, high = int((c > IMPOSSIBLE_ABOVE_C).sum()), int((c > ASK_ABOVE_C).sum())
    if impossible:
        live = ((as_celsius >= LIVE_RANGE_C[0]) & (as_celsius <= LIVE_RANGE_C[1])).all()
        verdict = "fahrenheit" if live else "impossible"
        sentence = f"{impossible} of {c.size} readings are above 90 °C, impossible in a live pile."
        if live:
            sentence += (
                f" They look like °F ({as_celsius.min():.1f} to {as_celsius.max():.1f} °C);"
                " send them as temperature_f."
            )
    elif high:
        verdict = "ask"
        sentence = f"{high} of {c.size} readings are above 75 °C. Check the unit and the probe."
    else:
        verdict, sentence = "plausible", "The readings are plausible as °C."
    return UnitSuspicion(verdict, high, impossible, as_celsius, sentence)


def spans_outside(
    hours: FloatArray,
    celsius: FloatArray,
    *,
    neighbour: tuple[FloatArray, FloatArray] | None = None,
    air: tuple[FloatArray, FloatArray] | None = None,
) -> tuple[OutsideSpan, ...]:
    """Spans longer than six hours in which a probe lay outside its pile.

    `hours`, `celsius` (n,) of the probe; `neighbour` another probe of the pile and `air` the air
    temperature, each (hours, celsius) on the same clock. With both: near the air while the
    neighbour is much hotter. With a neighbour alone: much colder than it, beyond their usual
    difference. With air alone: near the air from one hour to the next, after a hot spell.
    """
    t, c = checked_log(hours, celsius)
    if t.size < 2 or (neighbour is None and air is None):
        return ()
    beside = None if neighbour is None else _on_times(t, *neighbour)
    outside = None if air is None else _on_times(t, *air)
    if beside is not None and outside is not None:
        suspect = (np.abs(c - outside) < NEAR_AIR_C) & (beside - c > NEIGHBOUR_HOTTER_C)
        because = "followed the air while its neighbour was much hotter"
    elif beside is not None:
        colder = beside - c
        usual = np.nanmedian(colder) if np.isfinite(colder).any() else np.nan
        suspect = colder - usual > NEIGHBOUR_HOTTER_C
        because = "was far colder than its neighbour, beyond their usual difference"
    else:
        assert outside is not None
        suspect = np.abs(c - outside) < NEAR_AIR_C
        because = "followed the air from one reading to the next after a hot spell"
    spans = _long_runs(t, suspect, because)
    if beside is None and outside is not None:
        spans = [span for span in spans if _was_hot_before(t, c - outside, span)]
    return tuple(spans)


def without_spans(
    hours: FloatArray, celsius: FloatArray, spans: tuple[OutsideSpan, ...]
) -> tuple[FloatArray, FloatArray]:
    """The log without the readings of the given spans."""
    t, c = checked_log(hours, celsius)
    keep = np.ones(t.size, dtype=bool)
    for span in spans:
        keep &= (t < span.from_h) | (t > span.until_h)
    return t[keep], c[keep]


def _on_times(t: FloatArray, other_t: FloatArray, other_c: FloatArray) -> FloatArray:
    """The other log on the times of this one; nan inside its gaps and beyond its ends."""
    u, d = checked_log(other_t, other_c)
    if u.size == 0:
        return np.full(t.size, np.nan)
    after = np.searchsorted(u, t)
    before = np.clip(after - 1, 0, u.size - 1)
    after = np.clip(after, 0, u.size - 1)
    known = (t >= u[0]) & (t <= u[-1]) & ((u[after] - u[before] <= MAX_GAP_H) | (u[after] == t))
    return np.where(known, np.interp(t, u, d), np.nan)


def _long_runs(t: FloatArray, suspect: BoolArray, because: str) -> list[OutsideSpan]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], suspect, [False]]).astype(np.int8)))
    runs = zip(edges[::2], edges[1::2] - 1, strict=True)
    return [
        OutsideSpan(float(t[i]), float(t[j]), because)
        for i, j in runs
        if t[j] - t[i] > OUT_LONGER_THAN_H
    ]


def _was_hot_before(t: FloatArray, above_air: FloatArray, span: OutsideSpan) -> bool:
    """A pile cools over days; a probe pulled out cools between two readings."""
    before = (t < span.from_h) & (t >= span.from_h - HOT_BEFORE_H)
    return bool((above_air[before] > NEIGHBOUR_HOTTER_C).any())
