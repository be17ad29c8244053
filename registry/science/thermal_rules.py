"""Time and temperature rules by name, version and jurisdiction: evaluated and explained.

A result says what a log shows against the numbers of a published rule. It never certifies a pile
or a compost: conformity is for the responsible authority, with its own sampling and record rules.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from registry.science.thermal import ThermalSummary, hours_between
from registry.science.thermal_rule_sets import BANDS, RuleSet, TimeAtHeat
from registry.science.types import FloatArray, ScienceError

HOURS_PER_DAY = 24.0
# A log short by less than a second in days of hours is a rounding of its clock, not a shortfall.
ROUNDING_H = 1.0 / 3600.0

NOT_A_CERTIFICATE = (
    "This compares a log with a rule's numbers; it is not a certificate. "
    "Ask the responsible authority."
)
# Below this the time–temperature relation was not established.
EQUATION_FROM_C = 50.0

# (lowest, highest) °C → total hours and longest run (h) of a log between them.
TimesAtHeat = Mapping[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Requirement:
    """One condition: what was needed, what was seen. `met` is None when it cannot be told."""

    needed: str
    seen: str
    met: bool | None


@dataclass(frozen=True, slots=True)
class RuleResult:
    """What a log shows against one rule. `met` is None when the rule does not apply or the log
    has too many holes to say no."""

    rule: RuleSet
    applies: bool
    met: bool | None
    requirements: tuple[Requirement, ...]
    total_days: float
    longest_run_days: float
    explanation: str
    note: str = NOT_A_CERTIFICATE


def times_at_heat(hours: FloatArray, celsius: FloatArray) -> TimesAtHeat:
    """What the rules ask of one log, (n,) hours and °C: its time in each of their bands."""
    return {band: hours_between(hours, celsius, *band) for band in BANDS}


def evaluate(
    rule: RuleSet,
    times: TimesAtHeat,
    summary: ThermalSummary,
    kind: str,
    *,
    cn_ratio: float | None = None,
    complete: bool = True,
) -> RuleResult:
    """Compare one log with one rule.

    `times` of the log at heat and its `summary`; `kind` of the pile; `cn_ratio` of the start mix;
    `complete` whether the log has few enough holes for a "no". Gaps are never bridged, so a "yes"
    holds however much is missing.
    """
    requirements = [_any_of([_time_at_heat(need, times, complete) for need in rule.any_of])]
    if rule.min_turnings:
        requirements.append(_turnings(rule, summary, complete))
    if rule.cn_range:
        requirements.append(_start_cn(rule.cn_range, cn_ratio))
    total, run = times[rule.any_of[-1].low_c, math.inf]
    applies = kind in rule.kinds
    met = _all_met([requirement.met for requirement in requirements]) if applies else None
    return RuleResult(
        rule=rule,
        applies=applies,
        met=met,
        requirements=tuple(requirements),
        total_days=total / HOURS_PER_DAY,
        longest_run_days=run / HOURS_PER_DAY,
        explanation=_explain(rule, applies, met, requirements),
    )


def days_needed(celsius: float) -> float | None:
    """Days that a constant temperature must hold: D = 131 700 000 / 10^(0.14·T).

    None below 50 °C, where the relation does not apply. Never less than 20 minutes. Source: the US
    biosolids time–temperature relation for solids of at least 7 % (40 CFR 503.32, constants read in
    a state rule that carries them).
    """
    if not math.isfinite(celsius):
        raise ScienceError("A temperature must be a finite number.")
    if celsius < EQUATION_FROM_C:
        return None
    return max(131_700_000.0 / 10.0 ** (0.14 * celsius), 20.0 / 60.0 / HOURS_PER_DAY)


def _time_at_heat(need: TimeAtHeat, times: TimesAtHeat, complete: bool) -> Requirement:
    total, run = times[need.low_c, need.high_c]
    held = run if need.consecutive else total
    enough = held + ROUNDING_H >= need.days * HOURS_PER_DAY
    limits = f"{need.low_c:g} °C or more"
    if math.isfinite(need.high_c):
        limits = f"{need.low_c:g} to {need.high_c:.1f} °C"
    manner = "in one run" if need.consecutive else "in all"
    return Requirement(
        needed=f"{limits} for {need.days:g} days {manner}",
        seen=f"{held / HOURS_PER_DAY:.1f} days",
        met=True if enough else False if complete else None,
    )


def _any_of(times: Sequence[Requirement]) -> Requirement:
    if len(times) == 1:
        return times[0]
    met = True if any(time.met for time in times) else _all_met([time.met for time in times])
    return Requirement(
        needed=", or ".join(time.needed for time in times),
        seen=", ".join(time.seen for time in times) + " respectively",
        met=met,
    )


def _turnings(rule: RuleSet, summary: ThermalSummary, complete: bool) -> Requirement:
    turned = summary.turnings_in_hot_phase
    return Requirement(
        needed=f"at least {rule.min_turnings} turnings in the hot phase",
        seen=f"{turned} turnings",
        met=True if turned >= rule.min_turnings else False if complete else None,
    )


def _start_cn(cn_range: tuple[float, float], cn_ratio: float | None) -> Requirement:
    low, high = cn_range
    return Requirement(
        needed=f"a start C:N of {low:g} to {high:g}",
        seen="not known" if cn_ratio is None else f"{cn_ratio:.1f}",
        met=None if cn_ratio is None else low <= cn_ratio <= high,
    )


def _all_met(parts: Sequence[bool | None]) -> bool | None:
    """False when any part failed, else None when any cannot be told, else True."""
    if any(part is False for part in parts):
        return False
    return None if any(part is None for part in parts) else True


def _explain(
    rule: RuleSet, applies: bool, met: bool | None, requirements: Sequence[Requirement]
) -> str:
    if not applies:
        return f"{rule.name} ({rule.jurisdiction}) was not written for this kind of pile."
    opening = {True: "is met", False: "is not met", None: "cannot be decided"}[met]
    details = "; ".join(f"needed {part.needed}, seen {part.seen}" for part in requirements)
    return f"{rule.name} ({rule.jurisdiction}) {opening}: {details}."
