"""Where the profile of the lag is highest, and how far it stays near its height."""

import numpy as np

from registry.science.one_stage.profile import EXACT, HALF_CHI2_95, ROUGH, LagProfile, ProfilePoint
from registry.science.one_stage.records import LagEstimate
from registry.science.types import FitDidNotConverge, FloatArray

# A gain in log-likelihood too small to matter to anybody ends the search.
SEARCH_GAIN = 1e-9
# Days; below the first, points are maximised exactly; below the second the lag is known.
ROUGH_WIDTH, LEAST_WIDTH = 0.5, 1e-9
# The ends of the interval are read to this in log-likelihood: under 1 % of the interval's width.
END_TOLERANCE = 0.02
# Days; ends of the interval are not told apart any finer.
NEAREST = 1e-2
MAX_STEPS = 40
Z_95 = 1.959963984540054


def highest(
    profile: LagProfile,
    start: float,
    upper: float,
    look_days: FloatArray,
    step: float | None = None,
) -> ProfilePoint:
    """The best lag in [0, upper], days; `look_days` are the profile's kinks, `step` a first try."""
    low, high = _bracket(profile, start, upper, upper / 16.0 if step is None else step)
    if low.lag == high.lag:
        return profile.at(low.lag)
    low, high = _within_one_smooth_piece(profile, low, high, look_days)
    if low.lag == high.lag:
        return profile.at(low.lag)
    return _root_of_slope(profile, low, high)


def _bracket(
    profile: LagProfile, start: float, upper: float, step: float
) -> tuple[ProfilePoint, ProfilePoint]:
    """Neighbours with rising and falling slope; twice the same point at a bound."""
    here = profile.at(min(max(start, 0.0), upper), ROUGH)
    rising = here.slope > 0.0
    while True:
        edge = upper if rising else 0.0
        if here.lag == edge:
            return here, here
        move = step if rising else -step
        there = profile.explore(float(np.clip(here.lag + move, 0.0, upper)))
        if there is None:  # too far at once: the fit broke down there
            step *= 0.25
            if step < ROUGH_WIDTH:
                raise FitDidNotConverge("No lag near the start fits these looks.")
            continue
        if (there.slope > 0.0) != rising:
            return (here, there) if rising else (there, here)
        here, step = there, 2.0 * step


def _within_one_smooth_piece(
    profile: LagProfile, low: ProfilePoint, high: ProfilePoint, look_days: FloatArray
) -> tuple[ProfilePoint, ProfilePoint]:
    """Halve the kinks between the ends away; twice the same point if the top is at a kink."""
    while True:
        kinks = look_days[(look_days > low.lag) & (look_days < high.lag)]
        if len(kinks) == 0:
            return low, high
        middle = profile.at(float(kinks[len(kinks) // 2]), ROUGH)
        left = profile.slope_left(middle.lag)
        if left >= 0.0 >= middle.slope:
            return middle, middle
        if left < 0.0 < middle.slope:  # a valley: follow the higher side
            high, low = (middle, low) if low.criterion > high.criterion else (high, middle)
        elif middle.slope > 0.0:
            low = middle
        else:
            high = middle


def _root_of_slope(profile: LagProfile, low: ProfilePoint, high: ProfilePoint) -> ProfilePoint:
    """Secant on the slope, the stale end's slope halved when it stays twice (Illinois).

    At a kink the slope of `high` belongs to its right side; the secant only places points with it.
    """
    slope_low, slope_high = low.slope, min(high.slope, -1e-12)
    kept = ""
    for _ in range(MAX_STEPS):
        width = high.lag - low.lag
        share = float(np.clip(slope_low / (slope_low - slope_high), 0.01, 0.99))
        middle = profile.at(low.lag + share * width, ROUGH if width > ROUGH_WIDTH else EXACT)
        if abs(middle.slope) * min(share, 1.0 - share) * width < SEARCH_GAIN or width < LEAST_WIDTH:
            return profile.at(middle.lag)
        if middle.slope > 0.0:
            low, slope_low = middle, middle.slope
            slope_high *= 0.5 if kept == "high" else 1.0
            kept = "high"
        else:
            high, slope_high = middle, middle.slope
            slope_low *= 0.5 if kept == "low" else 1.0
            kept = "low"
    return profile.at(middle.lag)


def interval(
    profile: LagProfile, best: ProfilePoint, upper: float
) -> tuple[ProfilePoint, ProfilePoint]:
    """Ends of the 95 % profile interval; an end at 0 or `upper` may be higher than the cut."""
    return _end(profile, best, 0.0), _end(profile, best, upper)


def _end(profile: LagProfile, best: ProfilePoint, edge: float) -> ProfilePoint:
    """Step outwards until the drop is reached, then close in on it."""
    cut = best.criterion - HALF_CHI2_95
    inside = best
    reach = _first_reach(profile, best, edge)
    outside = None
    for _ in range(MAX_STEPS):
        if inside.lag == edge:
            return inside
        outside = profile.explore(_towards(inside.lag, reach, edge))
        if outside is None:  # the fit breaks down there: the end is not beyond it
            reach *= 0.25
            if reach < NEAREST:
                return inside
            continue
        if abs(outside.criterion - cut) <= END_TOLERANCE:
            return outside
        if outside.criterion < cut:
            break
        inside, reach = outside, 1.6 * reach
    if outside is None or outside.criterion >= cut:
        raise FitDidNotConverge("The lag's interval has no end.")
    return _close_in(profile, best, inside, outside)


def _towards(lag: float, reach: float, edge: float) -> float:
    return min(lag + reach, edge) if edge > lag else max(lag - reach, edge)


def _close_in(
    profile: LagProfile, best: ProfilePoint, inside: ProfilePoint, outside: ProfilePoint
) -> ProfilePoint:
    """Near its top the profile is a parabola: interpolate the root of the drop."""
    cut = best.criterion - HALF_CHI2_95
    for _ in range(MAX_STEPS):
        drops = [np.sqrt(max(best.criterion - p.criterion, 0.0)) for p in (inside, outside)]
        share = (np.sqrt(HALF_CHI2_95) - drops[0]) / max(drops[1] - drops[0], 1e-12)
        width = outside.lag - inside.lag
        middle = profile.explore(inside.lag + width * float(np.clip(share, 0.01, 0.99)))
        if middle is None:
            break
        if abs(middle.criterion - cut) <= END_TOLERANCE or abs(width) < 1e-6:
            return middle
        inside, outside = (middle, outside) if middle.criterion > cut else (inside, middle)
    return outside


def _first_reach(profile: LagProfile, best: ProfilePoint, edge: float) -> float:
    """Distance at which the fall seen so far, or the slope at a bound, has taken enough."""
    room = edge - best.lag
    known = [p for p in profile.points.values() if (p.lag - best.lag) * room > 0.0]
    falls = [(abs(p.lag - best.lag), best.criterion - p.criterion) for p in known]
    useful = [(d, fall) for d, fall in falls if fall > 0.05]
    reach = abs(room) / 8.0
    if useful:
        distance, fall = min(useful, key=lambda x: abs(x[1] - HALF_CHI2_95))
        reach = min(reach, distance * np.sqrt(HALF_CHI2_95 / fall))
    if best.slope * room < 0.0:
        reach = min(reach, HALF_CHI2_95 / abs(best.slope))
    return float(max(reach, NEAREST))


def lag_estimate(
    best: ProfilePoint, ends: tuple[ProfilePoint, ProfilePoint] | None, look_days: FloatArray
) -> LagEstimate:
    """The lag's record; its standard error is read from the interval, one-sided at a bound."""
    times_rate = float(np.exp(best.mean) * best.lag)
    if ends is None:
        return LagEstimate(0.0, None, None, None, False, False, 0.0)
    widths = [e for e in (best.lag - ends[0].lag, ends[1].lag - best.lag) if e > 0.0]
    se = float(np.mean(widths)) / Z_95 if widths else 0.0
    first_look = look_days[look_days > 0].min()
    return LagEstimate(
        best.lag, ends[0].lag, ends[1].lag, se, True, bool(best.lag >= first_look), times_rate
    )


def mean_per_day_of_lag(ends: tuple[ProfilePoint, ProfilePoint] | None) -> float:
    """dμ̂/dL along the profile."""
    if ends is None or ends[1].lag <= ends[0].lag:
        return 0.0
    return (ends[1].mean - ends[0].mean) / (ends[1].lag - ends[0].lag)
