"""The heat class of every pile of a trial, from the probes' own logs."""

from collections import defaultdict

import numpy as np

from registry.models import Pile, Trial, Turning
from registry.queries.exclusions import excluded_probes
from registry.queries.probe_logs import SECONDS_PER_HOUR, probe_logs
from registry.science.heat_class import HeatSummary, ProbeLog
from registry.science.heat_class import pile_heat as classify
from registry.science.types import FloatArray

# A probe with this in its code hangs in the air; it tells when another was left out of the pile.
AIR = "AIR"


def heat_summaries(trial: Trial) -> dict[int, HeatSummary]:
    """Pile id → heat summary, for the piles of the trial that have readings."""
    piles = list(Pile.objects.filter(trial=trial).order_by("pk"))
    logs = probe_logs([pile.pk for pile in piles])
    for pile, probe in excluded_probes([pile.pk for pile in piles]):
        logs.get(pile, {}).pop(probe, None)
    turned = _turned_hours(trial)
    return {
        pile.pk: _summary(pile, logs[pile.pk], turned[pile.pk]) for pile in piles if pile.pk in logs
    }


def heat_of_pile(pile: Pile, *, cn_ratio: float | None = None) -> HeatSummary:
    """Heat summary of one pile, also without readings; `cn_ratio` of its start mix, for the rules
    that ask for it."""
    logs = probe_logs([pile.pk]).get(pile.pk, {})
    for _, probe in excluded_probes([pile.pk]):
        logs.pop(probe, None)
    moments = pile.turnings.order_by("turned_at").values_list("turned_at", flat=True)
    turned = np.array([at.timestamp() / SECONDS_PER_HOUR for at in moments])
    return _summary(pile, logs, turned, cn_ratio)


def heat_classes(trial: Trial) -> dict[tuple[str, str], str]:
    """(site code, pile code) → class, for `LookColumns.pile_heat`; empty without any readings."""
    summaries = heat_summaries(trial)
    codes = Pile.objects.filter(pk__in=summaries).values_list("pk", "site__code", "code")
    return {(site, pile): summaries[pk].heat_class for pk, site, pile in codes}


def air_and_inside(logs: dict[str, ProbeLog]) -> tuple[ProbeLog | None, dict[str, ProbeLog]]:
    """The log of the air, if there is one, and the logs of the probes in the pile."""
    air = next((log for probe, log in logs.items() if AIR in probe), None)
    return air, {probe: log for probe, log in logs.items() if log is not air}


def _summary(
    pile: Pile, logs: dict[str, ProbeLog], turned: FloatArray, cn_ratio: float | None = None
) -> HeatSummary:
    air, inside = air_and_inside(logs)
    return classify(list(inside.values()), turned, pile.kind, air=air, cn_ratio=cn_ratio)


def _turned_hours(trial: Trial) -> dict[int, FloatArray]:
    moments: dict[int, list[float]] = defaultdict(list)
    rows = Turning.objects.filter(pile__trial=trial).order_by("pile", "turned_at")
    for pile, turned_at in rows.values_list("pile_id", "turned_at"):
        moments[pile].append(turned_at.timestamp() / SECONDS_PER_HOUR)
    return defaultdict(lambda: np.empty(0), {k: np.array(v) for k, v in moments.items()})
