"""Ticks people can read on a logarithmic axis."""

import math
from collections.abc import Iterable

STEPS = (1, 2, 5)
# A short range holds hardly a 1, 2 or 5; then every digit may mark it.
FINE_STEPS = (1, 1.5, 2, 3, 4, 5, 6, 7, 8, 9)
FEWEST_TICKS = 3


def log_ticks(low: float, high: float, *, at_most: int = 7) -> list[float]:
    """1-2-5 ticks from `low` to `high` (> 0), thinned to powers of ten when too many."""
    inside = _ticks_between(low, high, STEPS)
    if len(inside) < FEWEST_TICKS:
        fine = _ticks_between(low, high, FINE_STEPS)
        return fine[:: math.ceil(len(fine) / at_most)] if fine else inside
    if len(inside) <= at_most:
        return inside
    return [tick for tick in inside if math.log10(tick).is_integer()] or inside[:at_most]


def _ticks_between(low: float, high: float, steps: tuple[float, ...]) -> list[float]:
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = [float(f"{step}e{power}") for power in powers for step in steps]
    return [tick for tick in ticks if low <= tick <= high]


def log_domain(values: Iterable[float | None], *, margin: float = 1.15) -> tuple[float, float]:
    """Smallest range holding every positive value, a little wider so that no mark is cut."""
    positive = [value for value in values if value is not None and value > 0]
    if not positive:
        return (0.001, 1.0)
    return (min(positive) / margin, max(positive) * margin)


def percent_domain(values: Iterable[float | None]) -> tuple[float, float]:
    """0 to 100 %, higher when something weighs more than its start: never clipped."""
    known = [value for value in values if value is not None]
    highest = max([100.0, *known])
    return (0.0, 100.0 if highest <= 100 else math.ceil(highest / 10) * 10.0)


def day_ticks(last_day: float, *, at_most: int = 7) -> list[int]:
    """Whole weeks, evenly spaced, from 0 to the last day."""
    weeks = max(1, math.ceil(last_day / 7))
    step = next((s for s in (1, 2, 4, 8, 13, 26, 52) if weeks / s <= at_most - 1), 104)
    return [week * 7 for week in range(0, weeks + 1, step) if week * 7 <= last_day + 3]
