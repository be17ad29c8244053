"""What one probe's log holds of heat, in numbers that need no reading again.

`measure` reads a log once; `heat_class` judges piles from the numbers alone, so they can be kept
beside the log and judged again when a turning is added or a start mix becomes known.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from registry.science import logger_faults, thermal
from registry.science.logger_faults import OutsideSpan, spans_outside, without_spans
from registry.science.thermal import ThermalSummary, summarise
from registry.science.thermal_rule_sets import BANDS
from registry.science.thermal_rules import TimesAtHeat, times_at_heat
from registry.science.types import FloatArray

# A probe with this in its code hangs in the air; it tells when another was left out of the pile.
AIR = "AIR"


@dataclass(frozen=True, slots=True)
class ProbeLog:
    """One probe's log: `hours` (n,) from any origin, strictly increasing, `celsius` (n,)."""

    probe: str
    hours: FloatArray
    celsius: FloatArray


@dataclass(frozen=True, slots=True)
class LogHeat:
    """A log in numbers: its summary, turnings not counted, and its time in each band of a rule."""

    thermal: ThermalSummary
    times: TimesAtHeat


@dataclass(frozen=True, slots=True)
class ProbeHeat:
    """One probe of a pile: its log in numbers, and the spans left out since it lay outside."""

    probe: str
    log: LogHeat
    outside: tuple[OutsideSpan, ...] = ()


def measure(hours: FloatArray, celsius: FloatArray, *, span_h: float | None = None) -> LogHeat:
    """One log, (n,) hours and °C; `span_h` as for `summarise`."""
    return LogHeat(summarise(hours, celsius, span_h=span_h), times_at_heat(hours, celsius))


def measure_probes(
    probes: Sequence[ProbeLog], *, air: ProbeLog | None = None, span_h: float | None = None
) -> list[ProbeHeat]:
    """Every probe of a pile without the spans in which it lay outside, in the order given."""
    found = []
    for log in probes:
        spans = _outside(log, probes, air)
        inside = measure(*without_spans(log.hours, log.celsius, spans), span_h=span_h)
        found.append(ProbeHeat(log.probe, inside, spans))
    return found


def air_and_inside(logs: dict[str, ProbeLog]) -> tuple[ProbeLog | None, dict[str, ProbeLog]]:
    """The log of the air, if there is one, and the logs of the probes in the pile."""
    air = next((log for probe, log in logs.items() if AIR in probe), None)
    return air, {probe: log for probe, log in logs.items() if log is not air}


def _outside(
    log: ProbeLog, probes: Sequence[ProbeLog], air: ProbeLog | None
) -> tuple[OutsideSpan, ...]:
    """Spans found against the hottest of the other probes, and the air where it was logged."""
    others = [other for other in probes if other is not log and len(other.hours)]
    hottest = max(others, key=lambda other: float(other.celsius.mean()), default=None)
    return spans_outside(
        log.hours,
        log.celsius,
        neighbour=None if hottest is None else (hottest.hours, hottest.celsius),
        air=None if air is None else (air.hours, air.celsius),
    )


# Every number that a measure depends on; the leading one is raised when the method changes.
_METHOD = (
    1,
    thermal.THRESHOLDS_C,
    thermal.MAX_GAP_H,
    thermal.DEGREE_HOURS_BASE_C,
    thermal.HOT_C,
    BANDS,
    logger_faults.NEAR_AIR_C,
    logger_faults.NEIGHBOUR_HOTTER_C,
    logger_faults.OUT_LONGER_THAN_H,
    logger_faults.HOT_BEFORE_H,
    AIR,
)
# Numbers kept under another name than this were measured in another way.
MEASURED_BY = hashlib.sha256(repr(_METHOD).encode()).hexdigest()[:16]
