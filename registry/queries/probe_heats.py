"""The kept heat of the probes of some piles; piles whose logs changed since are measured anew."""

from collections.abc import Iterable, Sequence
from typing import Any

from django.db import connection
from django.db.models import F, Q

from registry.models import PileLog
from registry.queries.exclusions import excluded_probes
from registry.queries.probe_logs import probe_logs
from registry.science.log_heat import (
    MEASURED_BY,
    LogHeat,
    ProbeHeat,
    air_and_inside,
    measure_probes,
)
from registry.science.logger_faults import OutsideSpan
from registry.science.thermal import DEGREE_HOURS_BASE_C, ThermalSummary
from registry.science.thermal_rule_sets import BANDS

# One statement, one snapshot: the numbers of a pile are all of the state its log is said to have.
_KEPT = """
SELECT log.pile_id, heat.probe, heat.n_readings, heat.logged_h, heat.coverage, heat.max_c,
       heat.mean_c, heat.hours_above, heat.longest_run_h, heat.degree_hours, heat.hot_from_h,
       heat.hot_until_h, heat.band_h, heat.band_run_h, heat.outside_from_h, heat.outside_until_h,
       heat.outside_because
  FROM registry_pilelog log LEFT JOIN registry_probeheat heat ON heat.pile_id = log.pile_id
 WHERE log.pile_id = ANY(%s) AND log.measured_version = log.version AND log.measured_by = %s
 ORDER BY log.pile_id, heat.probe
"""


def probe_heats(pile_ids: Sequence[int]) -> dict[int, list[ProbeHeat]]:
    """Pile id → its probes, measured; an empty list when only the air was logged. Piles without
    readings are absent."""
    found: dict[int, list[ProbeHeat]] = {}
    with connection.cursor() as cursor:
        cursor.execute(_KEPT, [list(pile_ids), MEASURED_BY])
        for pile, *row in cursor.fetchall():
            found.setdefault(pile, [])
            if row[0] is not None:
                found[pile].append(_kept(row))
    changed = [pile for pile in pile_ids if pile not in found]
    return found | (measured_now(changed) if changed else {})


def measured_now(pile_ids: Sequence[int]) -> dict[int, list[ProbeHeat]]:
    """The same, from the readings. Probes that a coordinator left out are not there."""
    logs = probe_logs(pile_ids)
    for pile, probe in excluded_probes(list(logs)):
        logs[pile].pop(probe, None)
    found = {}
    for pile, probes in logs.items():
        air, inside = air_and_inside(probes)
        found[pile] = measure_probes(list(inside.values()), air=air)
    return found


def unmeasured(pile_ids: Iterable[int] | None = None) -> dict[int, int]:
    """Pile id → state of its log, for the logs that changed since they were measured."""
    measured = Q(measured_version=F("version"), measured_by=MEASURED_BY)
    logs = PileLog.objects.exclude(measured).order_by("pile")
    if pile_ids is not None:
        logs = logs.filter(pile__in=pile_ids)
    return dict(logs.values_list("pile_id", "version"))


def _kept(row: Sequence[Any]) -> ProbeHeat:
    probe, n, logged, coverage, highest, mean, above, runs, degree_hours, hot_from, until = row[:11]
    band_h, band_run_h, *outside = row[11:]
    thermal = ThermalSummary(
        n_readings=n,
        logged_h=logged,
        coverage=coverage,
        max_c=highest,
        mean_c=mean,
        hours_above=tuple(above),
        longest_run_h=tuple(runs),
        degree_hours=degree_hours,
        degree_hours_base_c=DEGREE_HOURS_BASE_C,
        hot_from_h=hot_from,
        hot_until_h=until,
        turnings_in_hot_phase=0,
    )
    times = dict(zip(BANDS, zip(band_h, band_run_h, strict=True), strict=True))
    spans = tuple(OutsideSpan(*span) for span in zip(*outside, strict=True))
    return ProbeHeat(probe, LogHeat(thermal, times), spans)
