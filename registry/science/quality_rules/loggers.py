"""Rules for temperature loggers: wrong unit, out of the pile, gaps while the pile was hot."""

from collections.abc import Mapping, Sequence

import numpy as np

from registry.science.heat_class import MIN_COVERAGE
from registry.science.log_heat import ProbeHeat, ProbeLog
from registry.science.logger_faults import (
    ASK_ABOVE_C,
    OUT_LONGER_THAN_H,
    spans_outside,
    suspect_unit,
)
from registry.science.quality_rules.findings import Finding
from registry.science.thermal import MAX_GAP_H, THRESHOLDS_C
from registry.science.types import FloatArray

# A gap beside a reading at least so warm hides a part of the hot phase.
WARM_C = THRESHOLDS_C[0]
# The unit is doubted when the numbers read as °F fit the neighbour so well, and as °C so badly.
UNIT_FITS_C, UNIT_MISFITS_C = 5.0, 15.0
LEAST_COMMON_READINGS = 12

LOGGER_CODES = {
    "above_75": "readings above 75 °C: check the unit and the probe",
    "fahrenheit_like": "the readings fit the neighbouring probe only when read as °F",
    "logger_outside": "the logger lay outside the pile",
    "gap_while_hot": "more than four hours without a reading while the pile was hot",
}

# About all logs of a pile together.
LOG_CODES = {"log_incomplete": "no probe logged 90 % of its span"}
# A log of less is a beginning; its next download may fill it.
LEAST_SPAN_H = 48.0


def log_findings(pile: int, probes: Sequence[ProbeHeat]) -> list[Finding]:
    """Findings about how much of the pile's heat was logged at all, over its probes."""
    spans = [(one.log.thermal.coverage, one) for one in probes if _span_h(one) >= LEAST_SPAN_H]
    if not spans:
        return []
    coverage, fullest = max(spans, key=lambda pair: pair[0])
    if coverage >= MIN_COVERAGE:
        return []
    return [
        Finding(
            code="log_incomplete",
            message=f"The fullest log of this pile, {fullest.probe}, covers {100 * coverage:.0f} % "
            f"of its {_span_h(fullest) / 24:.0f} days, less than 90 %. A pile with such a log is "
            "called hot when it shows so, but never warm or cool. Is a download missing?",
            pile=pile,
            unit="%",
            found=100.0 * coverage,
            limit_low=100.0 * MIN_COVERAGE,
            n_compared=len(probes),
        )
    ]


def _span_h(probe: ProbeHeat) -> float:
    thermal = probe.log.thermal
    return thermal.logged_h / thermal.coverage if thermal.coverage else 0.0


def logger_findings(
    pile: int, inside: Mapping[str, ProbeLog], air: ProbeLog | None = None
) -> list[Finding]:
    """Findings about the probes of one pile; hours since 1970 UTC."""
    found: list[Finding] = []
    for probe, log in inside.items():
        if log.celsius.size < 2:
            continue
        neighbour = _neighbour(probe, inside)
        found += _unit(pile, log, neighbour)
        found += _outside(pile, log, neighbour, air)
        found += _gaps(pile, log)
    return found


def _neighbour(probe: str, inside: Mapping[str, ProbeLog]) -> ProbeLog | None:
    """The warmest other probe, the same that `heat_class` compares with."""
    others = [log for name, log in inside.items() if name != probe and log.celsius.size]
    return max(others, key=lambda log: float(np.mean(log.celsius)), default=None)


def _unit(pile: int, log: ProbeLog, neighbour: ProbeLog | None) -> list[Finding]:
    suspicion = suspect_unit(log.celsius)
    found = []
    if suspicion.verdict != "plausible":
        found.append(
            Finding(
                code="above_75",
                message=f"{suspicion.n_above_ask:,} of {log.celsius.size:,} readings of this probe "
                f"are above 75 °C. Check its unit and calibration. {_HOT_PILE}",
                pile=pile,
                probe=log.probe,
                unit="Cel",
                found=float(log.celsius.max()),
                limit_high=ASK_ABOVE_C,
                n_compared=suspicion.n_above_ask,
            )
        )
    if neighbour is None:
        return found
    beside, mine = _together(log, neighbour)
    if beside.size < LEAST_COMMON_READINGS:
        return found
    as_is = float(np.median(np.abs(mine - beside)))
    as_f = float(np.median(np.abs((mine - 32.0) / 1.8 - beside)))
    if as_f < UNIT_FITS_C and as_is > UNIT_MISFITS_C:
        found.append(
            Finding(
                code="fahrenheit_like",
                message=f"This probe is {as_is:.0f} °C away from {neighbour.probe} in the same "
                f"pile, but {as_f:.1f} °C when its numbers are read as °F. Is it set to °F?",
                pile=pile,
                probe=log.probe,
                unit="Cel",
                found=as_is,
                limit_high=UNIT_MISFITS_C,
                compared_with=as_f,
                n_compared=int(beside.size),
            )
        )
    return found


_HOT_PILE = "A pile above 80 °C may burn: do not open it, call the fire service."


def _outside(
    pile: int, log: ProbeLog, neighbour: ProbeLog | None, air: ProbeLog | None
) -> list[Finding]:
    spans = spans_outside(
        log.hours,
        log.celsius,
        neighbour=None if neighbour is None else (neighbour.hours, neighbour.celsius),
        air=None if air is None else (air.hours, air.celsius),
    )
    if not spans:
        return []
    hours = sum(span.hours for span in spans)
    times = "once" if len(spans) == 1 else f"{len(spans)} times"
    return [
        Finding(
            code="logger_outside",
            message=f"For {hours:.0f} hours, {times}, this probe {spans[0].because}: it "
            "lay outside the pile. These hours are left out of the pile's heat.",
            pile=pile,
            probe=log.probe,
            unit="h",
            found=hours,
            limit_high=OUT_LONGER_THAN_H,
            n_compared=len(spans),
            from_h=spans[0].from_h,
            until_h=spans[-1].until_h,
        )
    ]


def _gaps(pile: int, log: ProbeLog) -> list[Finding]:
    gap = np.diff(log.hours)
    warm = np.maximum(log.celsius[:-1], log.celsius[1:]) >= WARM_C
    at = np.flatnonzero((gap > MAX_GAP_H + 1e-9) & warm)
    if at.size == 0:
        return []
    longest = float(gap[at].max())
    return [
        Finding(
            code="gap_while_hot",
            message=f"{at.size} gaps of more than 4 hours while the pile was warm, the longest "
            f"{longest:.0f} hours. Gaps are never bridged, so no hours count there.",
            pile=pile,
            probe=log.probe,
            unit="h",
            found=longest,
            limit_high=MAX_GAP_H,
            n_compared=int(at.size),
            from_h=float(log.hours[at[0]]),
            until_h=float(log.hours[at[-1] + 1]),
        )
    ]


def _together(log: ProbeLog, neighbour: ProbeLog) -> tuple[FloatArray, FloatArray]:
    """Readings of the neighbour and of this probe at this probe's moments, where both logged."""
    both = (log.hours >= neighbour.hours[0]) & (log.hours <= neighbour.hours[-1])
    beside = np.interp(log.hours[both], neighbour.hours, neighbour.celsius)
    return beside, log.celsius[both]
