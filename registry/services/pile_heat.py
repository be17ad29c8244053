"""Keeps the heat of every probe's log beside the log, measured after readings came."""

from collections.abc import Iterable

from django.db import transaction
from django.db.models import F

from registry.models import PileLog, ProbeHeat
from registry.queries.probe_heats import measured_now, unmeasured
from registry.science import log_heat
from registry.science.log_heat import MEASURED_BY
from registry.science.thermal_rule_sets import BANDS

# Piles measured in one transaction: their readings are all in memory at once.
AT_A_TIME = 20


def keep_up(pile_ids: Iterable[int] | None = None, *, most: int | None = None) -> int:
    """Measure the logs that changed, of these piles or of all, at most so many. Returns how many.

    The state of a log is read before its readings. Where more of them arrive meanwhile, the numbers
    are thrown away, and the next call measures again.
    """
    waiting = list(unmeasured(pile_ids).items())[:most]
    for start in range(0, len(waiting), AT_A_TIME):
        _measure(dict(waiting[start : start + AT_A_TIME]))
    return len(waiting)


def _measure(versions: dict[int, int]) -> None:
    found = measured_now(list(versions))
    with transaction.atomic():
        mine = _claim(versions)
        ProbeHeat.objects.filter(pile__in=mine).delete()
        ProbeHeat.objects.bulk_create(
            _row(pile, probe) for pile in mine for probe in found.get(pile, [])
        )


def _claim(versions: dict[int, int]) -> list[int]:
    """Mark the logs that are still at this state as measured; returns their piles.

    A log that an upload is changing just now is passed over: to wait for it here, holding others,
    could be what that upload waits for.
    """
    free = PileLog.objects.select_for_update(skip_locked=True).filter(pile__in=versions)
    same = [pile for pile, now in free.values_list("pile", "version") if versions[pile] == now]
    PileLog.objects.filter(pile__in=same).update(
        measured_version=F("version"), measured_by=MEASURED_BY
    )
    return same


def _row(pile: int, probe: log_heat.ProbeHeat) -> ProbeHeat:
    thermal, times = probe.log.thermal, [probe.log.times[band] for band in BANDS]
    return ProbeHeat(
        pile_id=pile,
        probe=probe.probe,
        n_readings=thermal.n_readings,
        logged_h=thermal.logged_h,
        coverage=thermal.coverage,
        max_c=thermal.max_c,
        mean_c=thermal.mean_c,
        degree_hours=thermal.degree_hours,
        hot_from_h=thermal.hot_from_h,
        hot_until_h=thermal.hot_until_h,
        hours_above=list(thermal.hours_above),
        longest_run_h=list(thermal.longest_run_h),
        band_h=[total for total, _ in times],
        band_run_h=[run for _, run in times],
        outside_from_h=[span.from_h for span in probe.outside],
        outside_until_h=[span.until_h for span in probe.outside],
        outside_because=[span.because for span in probe.outside],
    )
