"""The heat class of a pile, from its own log: hot, warm, cool or unknown.

    hot      a sanitising rule for its kind is met: 55 °C for 3 days in one run, or, for a windrow,
             for 15 days in all with 5 turnings among them
    warm     not hot, and at least 40 °C for 5 days in all
    cool     neither
    unknown  too little was logged to say which

A rule that is met stays met whatever is missing, since gaps are never bridged; the other two
classes are a "no" to something and need a log with few holes. The three-day rule was written for
aerated static piles and vessels; here it sorts heaps, bins and tumblers too. A class describes a
pile; it certifies nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from registry.science.log_heat import LogHeat, ProbeHeat, ProbeLog, measure, measure_probes
from registry.science.logger_faults import OutsideSpan
from registry.science.thermal import ThermalSummary, checked_log, with_turnings
from registry.science.thermal_rule_sets import RULE_SETS, TURNED_KINDS, rule_set
from registry.science.thermal_rules import HOURS_PER_DAY, RuleResult, evaluate
from registry.science.types import FloatArray, ScienceError

PILE_KINDS = ("heap", "bin", "tumbler", "windrow", "in_vessel")
# Below this share of the span logged, nobody can say that the pile was not hotter.
MIN_COVERAGE = 0.90
# The longest rule asks for so many days; a shorter log cannot show that they were not reached.
MIN_LOGGED_H = 15 * HOURS_PER_DAY
WARM_C = 40.0
WARM_H = 5 * HOURS_PER_DAY


@dataclass(frozen=True, slots=True)
class HeatSummary:
    """A pile's heat: its class and why, the numbers, the rules, and what was left out of the log.

    `probe` names the log that speaks for the pile (empty when there is none); `outside` holds the
    spans left out of any of its logs.
    """

    heat_class: str
    reason: str
    thermal: ThermalSummary
    rules: tuple[RuleResult, ...]
    probe: str = ""
    outside: tuple[OutsideSpan, ...] = ()

    @property
    def coverage_pct(self) -> float:
        return 100.0 * self.thermal.coverage


def heat_class(
    hours: FloatArray,
    celsius: FloatArray,
    turned_hours: FloatArray | None,
    kind: str,
    *,
    span_h: float | None = None,
    cn_ratio: float | None = None,
) -> HeatSummary:
    """Classify a pile from one log.

    Parameters
    ----------
    hours, celsius : (n,) the log; hours from any origin, strictly increasing. May be empty.
    turned_hours : (k,) turnings on the same clock.
    kind : heap, bin, tumbler, windrow or in_vessel.
    span_h : hours the log should cover; the log's own extent when None.
    cn_ratio : C:N of the start mix, for rules that ask for it.
    """
    t, c = checked_log(hours, celsius)
    return _judged(ProbeHeat("", measure(t, c, span_h=span_h)), turned_hours, kind, cn_ratio)


def pile_heat(
    probes: Sequence[ProbeLog],
    turned_hours: FloatArray | None,
    kind: str,
    *,
    span_h: float | None = None,
    air: ProbeLog | None = None,
    cn_ratio: float | None = None,
) -> HeatSummary:
    """Classify a pile from several probes: leave out spans outside the pile, then let the probe
    with the most degree-hours above 40 °C among the well-covered ones speak for it: the core."""
    measured = measure_probes(probes, air=air, span_h=span_h)
    return heat_of_probes(measured, turned_hours, kind, cn_ratio=cn_ratio)


def heat_of_probes(
    probes: Sequence[ProbeHeat],
    turned_hours: FloatArray | None,
    kind: str,
    *,
    cn_ratio: float | None = None,
) -> HeatSummary:
    """The same from probes that were measured before."""
    if not probes:
        return _judged(ProbeHeat("", measure(np.empty(0), np.empty(0))), None, kind, cn_ratio)
    speaking = max(probes, key=lambda probe: _speaks(probe.log, turned_hours, kind))
    outside = tuple(replace(span, probe=one.probe) for one in probes for span in one.outside)
    return replace(_judged(speaking, turned_hours, kind, cn_ratio), outside=outside)


def sanitising_rule(kind: str) -> str:
    """Code of the rule whose meeting makes a pile of this kind hot."""
    return "US-PFRP-WINDROW" if kind in TURNED_KINDS else "US-PFRP-STATIC"


def _judged(
    probe: ProbeHeat, turned_hours: FloatArray | None, kind: str, cn_ratio: float | None
) -> HeatSummary:
    if kind not in PILE_KINDS:
        raise ScienceError(f"A pile is one of {', '.join(PILE_KINDS)}, not {kind}.")
    thermal = with_turnings(probe.log.thermal, turned_hours)
    complete = _is_complete(thermal)
    rules = tuple(
        evaluate(rule, probe.log.times, thermal, kind, cn_ratio=cn_ratio, complete=complete)
        for rule in RULE_SETS
    )
    sanitised = next(result for result in rules if result.rule.code == sanitising_rule(kind))
    name, reason = _classify(thermal, sanitised, complete)
    return HeatSummary(name, reason, thermal, rules, probe.probe)


def _is_complete(thermal: ThermalSummary) -> bool:
    return thermal.coverage >= MIN_COVERAGE and thermal.logged_h >= MIN_LOGGED_H


def _speaks(log: LogHeat, turned_hours: FloatArray | None, kind: str) -> tuple[bool, bool, float]:
    """A class beats no class, enough coverage beats too little, then the hotter one."""
    complete = _is_complete(log.thermal)
    # Met stays met whatever is missing, so only a log with holes has to be asked.
    known = complete or _is_sanitised(log, turned_hours, kind)
    return known, log.thermal.coverage >= MIN_COVERAGE, log.thermal.degree_hours


def _is_sanitised(log: LogHeat, turned_hours: FloatArray | None, kind: str) -> bool:
    thermal = with_turnings(log.thermal, turned_hours)
    return evaluate(rule_set(sanitising_rule(kind)), log.times, thermal, kind).met is True


def _classify(thermal: ThermalSummary, sanitised: RuleResult, complete: bool) -> tuple[str, str]:
    if sanitised.met:
        return "hot", sanitised.explanation
    if thermal.n_readings == 0:
        return "unknown", "No temperatures were logged."
    if not complete:
        return "unknown", (
            f"Only {thermal.logged_h / HOURS_PER_DAY:.0f} days were logged, "
            f"{100 * thermal.coverage:.0f} % of the span; the pile may have been hotter."
        )
    warm_days = thermal.hours_at_least(WARM_C) / HOURS_PER_DAY
    if thermal.hours_at_least(WARM_C) >= WARM_H:
        return "warm", f"At least 40 °C for {warm_days:.1f} days; {sanitised.explanation}"
    return "cool", f"At least 40 °C for only {warm_days:.1f} days, of the 5 that make a pile warm."
