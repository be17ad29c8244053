"""The heat class of every pile of a trial, from the probes' own logs."""

from collections import defaultdict
from datetime import UTC, datetime, time

import numpy as np

from registry.models import Pile, ProbeDay, Trial, Turning
from registry.science.heat_class import HeatSummary, ProbeLog
from registry.science.heat_class import pile_heat as classify
from registry.science.types import FloatArray

SECONDS_PER_HOUR = 3600.0
# A probe with this in its code hangs in the air; it tells when another was left out of the pile.
AIR = "AIR"


def heat_summaries(trial: Trial) -> dict[int, HeatSummary]:
    """Pile id → heat summary, for the piles of the trial that have readings."""
    logs = _logs(trial)
    turned = _turned_hours(trial)
    piles = Pile.objects.filter(trial=trial, pk__in=logs).order_by("pk")
    return {pile.pk: _summary(pile, logs[pile.pk], turned[pile.pk]) for pile in piles}


def heat_classes(trial: Trial) -> dict[tuple[str, str], str]:
    """(site code, pile code) → class, for `LookColumns.pile_heat`; empty without any readings."""
    summaries = heat_summaries(trial)
    codes = Pile.objects.filter(pk__in=summaries).values_list("pk", "site__code", "code")
    return {(site, pile): summaries[pk].heat_class for pk, site, pile in codes}


def _summary(pile: Pile, logs: dict[str, ProbeLog], turned: FloatArray) -> HeatSummary:
    air = next((log for probe, log in logs.items() if AIR in probe), None)
    inside = [log for log in logs.values() if log is not air]
    return classify(inside, turned, pile.kind, air=air)


def _logs(trial: Trial) -> dict[int, dict[str, ProbeLog]]:
    """Pile id → probe → its whole log, hours since 1970 UTC."""
    days: dict[int, dict[str, list[tuple[FloatArray, FloatArray]]]] = defaultdict(
        lambda: defaultdict(list)
    )
    rows = ProbeDay.objects.filter(pile__trial=trial).order_by("pile", "probe", "day")
    for pile, probe, day, seconds, celsius in rows.values_list(
        "pile_id", "probe", "day", "seconds", "celsius"
    ).iterator(chunk_size=2000):
        start = datetime.combine(day, time(), tzinfo=UTC).timestamp()
        hours = (start + np.asarray(seconds, float)) / SECONDS_PER_HOUR
        days[pile][probe].append((hours, np.asarray(celsius, float)))
    return {
        pile: {probe: _joined(probe, parts) for probe, parts in probes.items()}
        for pile, probes in days.items()
    }


def _joined(probe: str, parts: list[tuple[FloatArray, FloatArray]]) -> ProbeLog:
    return ProbeLog(
        probe,
        np.concatenate([hours for hours, _ in parts]),
        np.concatenate([celsius for _, celsius in parts]),
    )


def _turned_hours(trial: Trial) -> dict[int, FloatArray]:
    moments: dict[int, list[float]] = defaultdict(list)
    rows = Turning.objects.filter(pile__trial=trial).order_by("pile", "turned_at")
    for pile, turned_at in rows.values_list("pile_id", "turned_at"):
        moments[pile].append(turned_at.timestamp() / SECONDS_PER_HOUR)
    return defaultdict(lambda: np.empty(0), {k: np.array(v) for k, v in moments.items()})
