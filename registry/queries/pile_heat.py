"""The heat class of every pile of a trial, from the probes' own logs."""

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from registry.models import Pile, Trial, Turning
from registry.queries.probe_heats import probe_heats
from registry.queries.probe_logs import SECONDS_PER_HOUR
from registry.science.explanations import Warmth, warmth
from registry.science.heat_class import HeatSummary, heat_of_probes
from registry.science.types import FloatArray


def heat_summaries(trial: Trial) -> dict[int, HeatSummary]:
    """Pile id → heat summary, for the piles of the trial that have readings."""
    kinds = dict(Pile.objects.filter(trial=trial).order_by("pk").values_list("pk", "kind"))
    turned = _turned_hours(list(kinds))
    measured = probe_heats(list(kinds))
    return {
        pile: heat_of_probes(measured[pile], turned[pile], kind)
        for pile, kind in kinds.items()
        if pile in measured
    }


def heat_of_pile(pile: Pile, *, cn_ratio: float | None = None) -> HeatSummary:
    """Heat summary of one pile, also without readings; `cn_ratio` of its start mix, for the rules
    that ask for it."""
    probes = probe_heats([pile.pk]).get(pile.pk, [])
    turned = _turned_hours([pile.pk])[pile.pk]
    return heat_of_probes(probes, turned, pile.kind, cn_ratio=cn_ratio)


def classes_of(summaries: dict[int, HeatSummary]) -> dict[tuple[str, str], str]:
    """(site code, pile code) → class, for `LookColumns.pile_heat`; empty without any readings."""
    return {key: summaries[pk].heat_class for pk, key in _codes(summaries).items()}


def warmth_of(summaries: dict[int, HeatSummary]) -> dict[tuple[str, str], Warmth]:
    """(site code, pile code) → heat in numbers, of the piles whose log is complete enough."""
    found = {key: warmth(summaries[pk]) for pk, key in _codes(summaries).items()}
    return {key: numbers for key, numbers in found.items() if numbers is not None}


def _codes(summaries: dict[int, HeatSummary]) -> dict[int, tuple[str, str]]:
    piles = Pile.objects.filter(pk__in=summaries).values_list("pk", "site__code", "code")
    return {pk: (site, code) for pk, site, code in piles}


def _turned_hours(pile_ids: Sequence[int]) -> dict[int, FloatArray]:
    moments: dict[int, list[float]] = defaultdict(list)
    rows = Turning.objects.filter(pile__in=pile_ids).order_by("pile", "turned_at")
    for pile, turned_at in rows.values_list("pile_id", "turned_at"):
        moments[pile].append(turned_at.timestamp() / SECONDS_PER_HOUR)
    return defaultdict(lambda: np.empty(0), {k: np.array(v) for k, v in moments.items()})
