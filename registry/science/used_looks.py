"""Which looks enter the fits, and why the others do not. Nothing is dropped without being counted.

in the fit      weighed samples lifted after day 0; `nothing_left` as "below the detection limit"
counted only    lost and damaged bags (missing, never zero); looks excluded by a person;
                bags scored but not weighed; uncorrected masses above 105 % of the start
correction      the fraction left in travel bags, where a material has three or more of them,
                divides its remaining masses; its uncertainty is carried to the pooled rate
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from registry.science.cells import Cells, collapse, regroup
from registry.science.controls import Gate, PileGates, pile_gates
from registry.science.mass_balance import UPPER_LIMIT_ABOVE, HandlingLoss, handling_loss
from registry.science.types import (
    BagLooks,
    BagPurpose,
    BoolArray,
    FloatArray,
    IntArray,
    LookOutcome,
    replace_columns,
)

LOST_AS_GONE = "gone"
LOST_AS_UNTOUCHED = "untouched"


@dataclass(frozen=True)
class UsedLooks:
    """The looks of a trial made ready for fitting.

    Attributes
    ----------
    looks : all looks, in fixed order (by material first). in_fit : (n,) which of them are fitted.
    cells : the fitted ones, collapsed by unit.
    unit_material, unit_pile, unit_site, unit_looks : (n_units,) of each pile × material.
    last_day : (n_materials,) last look in the fit, 0 without any.
    handling : per material, None without travel bags.
    gates : per pile.
    """

    looks: BagLooks
    in_fit: BoolArray
    upper_limit: BoolArray
    cells: Cells
    unit_material: IntArray
    unit_pile: IntArray
    unit_site: IntArray
    unit_looks: FloatArray
    last_day: FloatArray
    handling: tuple[HandlingLoss | None, ...]
    gates: tuple[PileGates, ...]
    last_scheduled_day: float

    @property
    def n_materials(self) -> int:
        return len(self.looks.material_labels)

    def of_material(self, material: int) -> "UsedLooks":
        """The same for the looks and units of one material; codes and labels stay."""
        start, end = np.searchsorted(self.looks.material, [material, material + 1]).tolist()
        rows = np.arange(start, end)
        mine = self.unit_material == material
        number = np.where(mine, np.cumsum(mine) - 1, -1)
        return replace(
            self,
            looks=self.looks.rows(rows),
            in_fit=self.in_fit[rows],
            upper_limit=self.upper_limit[rows],
            cells=regroup(self.cells, number, int(mine.sum())),
            unit_material=self.unit_material[mine],
            unit_pile=self.unit_pile[mine],
            unit_site=self.unit_site[mine],
            unit_looks=self.unit_looks[mine],
        )

    def inactive_piles(self) -> list[int]:
        """Piles whose positive control shows no working compost."""
        return [g.pile for g in self.gates if g.positive is Gate.INACTIVE]


def use_looks(looks: BagLooks, *, primary_day: float, schedule_days: Sequence[float]) -> UsedLooks:
    """Select, correct and collapse the looks of a trial; `looks` in fixed order."""
    gates = pile_gates(looks, agreed_day=primary_day)
    handling = _handling(looks)
    last = float(max(schedule_days, default=0.0))
    return _collapse(_corrected(looks, handling), handling, gates, last)


def with_losses_as(used: UsedLooks, assumption: str) -> UsedLooks:
    """The same looks, had every lost or damaged bag been `gone` or `untouched`."""
    changed = losses_as(used.looks, assumption)
    return replace(
        _collapse(changed, used.handling, used.gates, used.last_scheduled_day), looks=used.looks
    )


def losses_as(looks: BagLooks, assumption: str) -> BagLooks:
    """The looks themselves, with lost and damaged bags as `gone` or as `untouched`."""
    lost = is_lost(looks) & (looks.day > 0)
    gone = assumption == LOST_AS_GONE
    return replace_columns(
        looks,
        outcome=np.where(
            lost, int(LookOutcome.NOTHING_LEFT if gone else LookOutcome.RECOVERED), looks.outcome
        ).astype(np.int8),
        remaining=np.where(lost, 0.0 if gone else 1.0, looks.remaining),
        measurement_sd=np.where(lost, 0.0, looks.measurement_sd),
    )


def is_lost(looks: BagLooks) -> BoolArray:
    """Sample bags that were lost or damaged, and not excluded by a person; (n,)."""
    gone = (looks.outcome == LookOutcome.BAG_LOST) | (looks.outcome == LookOutcome.BAG_DAMAGED)
    return np.asarray(gone & ~looks.excluded & (looks.purpose == BagPurpose.SAMPLE))


def cut_of(looks: BagLooks) -> FloatArray:
    """Fraction of the start mass above which each look is left out of the fits, (n,)."""
    return np.where(looks.ash_corrected, np.inf, UPPER_LIMIT_ABOVE)


def _collapse(
    looks: BagLooks,
    handling: tuple[HandlingLoss | None, ...],
    gates: tuple[PileGates, ...],
    last_scheduled_day: float,
) -> UsedLooks:
    nothing = looks.outcome == LookOutcome.NOTHING_LEFT
    remaining = np.where(nothing, 0.0, looks.remaining)
    weighed = nothing | ((looks.outcome == LookOutcome.RECOVERED) & np.isfinite(remaining))
    candidate = weighed & ~looks.excluded & (looks.purpose == BagPurpose.SAMPLE) & (looks.day > 0)
    upper = candidate & (remaining > UPPER_LIMIT_ABOVE) & ~looks.ash_corrected
    in_fit = candidate & ~upper
    n_piles = len(looks.pile_labels)
    keys, unit = np.unique(
        looks.material[in_fit] * n_piles + looks.pile[in_fit], return_inverse=True
    )
    unit = unit.reshape(-1).astype(np.int64)
    cells = collapse(
        unit,
        looks.day[in_fit],
        remaining[in_fit],
        looks.detection_limit[in_fit],
        looks.measurement_sd[in_fit] ** 2,
        len(keys),
        cut_of(looks)[in_fit],
    )
    last_day = np.zeros(len(looks.material_labels))
    np.maximum.at(last_day, looks.material[in_fit], looks.day[in_fit])
    unit_pile = (keys % n_piles).astype(np.int64) if n_piles else keys
    return UsedLooks(
        looks=looks,
        in_fit=in_fit,
        upper_limit=upper,
        cells=cells,
        unit_material=(keys // max(n_piles, 1)).astype(np.int64),
        unit_pile=unit_pile,
        unit_site=looks.pile_site[unit_pile],
        unit_looks=np.bincount(unit, minlength=len(keys)).astype(float),
        last_day=last_day,
        handling=handling,
        gates=gates,
        last_scheduled_day=last_scheduled_day,
    )


def _handling(looks: BagLooks) -> tuple[HandlingLoss | None, ...]:
    travel = (looks.purpose == BagPurpose.TRAVEL) & np.isfinite(looks.remaining) & ~looks.excluded
    out: list[HandlingLoss | None] = []
    for m in range(len(looks.material_labels)):
        values = looks.remaining[travel & (looks.material == m)] if travel.any() else []
        out.append(handling_loss(np.asarray(values)) if len(values) else None)
    return tuple(out)


def _corrected(looks: BagLooks, handling: tuple[HandlingLoss | None, ...]) -> BagLooks:
    left = np.array([h.remaining if h and h.corrects else 1.0 for h in handling])
    if (left == 1.0).all():
        return looks
    factor = np.where(looks.purpose == BagPurpose.SAMPLE, left[looks.material], 1.0)
    return replace_columns(
        looks,
        remaining=looks.remaining / factor,
        measurement_sd=looks.measurement_sd / factor,
    )
