"""Rules for single looks: a mass, a score or a day that does not fit the others.

r is the fraction remaining of the oven-dry start mass; a cell is one pile × material × day.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from registry.science.mass_balance import REPLICATE_LIMIT_POINTS, UPPER_LIMIT_ABOVE
from registry.science.quality_rules.cells import CellMedians, cell_medians
from registry.science.quality_rules.findings import Finding, Hits, findings_of
from registry.science.types import BagPurpose, BoolArray, FloatArray, IntArray, LookOutcome

# Fractions and points; see the package: common practice, no source.
MORE_THAN_BEFORE = 0.15
HIDDEN_ASH = 0.20
GONE_BESIDE = 0.50
LEAST_NEIGHBOURS = 2
# Guards limits against the last binary digit of a difference.
_ROUNDING = 1e-9
# Fragmentation 0 whole, 1 edges frayed ... 4 specks, 5 none found.
WHOLE_SCORE, SPECKS_SCORE = 1, 4
WHOLE_LEAST, SPECKS_MOST = 0.30, 0.70

LOOK_CODES = {
    "remaining_over_105": "more residue than there was material: adhering compost, wet, or a dish",
    "more_than_before": "more left than at the previous look of the same pile and material",
    "replicate_spread": "bags of one pile, material and day differ by more than 20 points",
    "hidden_compost": "residue with far more ash than the material can have left",
    "outside_window": "lifted earlier or later than planned",
    "score_against_mass": "the visual score and the mass contradict each other",
    "gone_beside_remaining": "nothing left in this bag, much left in its neighbours",
}


@dataclass(frozen=True)
class LookTable:
    """(n,) looks; ids are the caller's. Fractions, days; nan where not measured or planned.

    `remaining` is the one that is pooled: ash-corrected where `ash_corrected`. `ash` and
    `ash_start` are ash fractions of residue and material.
    """

    look: IntArray
    pile: IntArray
    material: IntArray
    day: IntArray
    outcome: NDArray[np.int8]
    purpose: NDArray[np.int8]
    remaining: FloatArray
    ash_corrected: BoolArray
    ash: FloatArray
    ash_start: FloatArray
    fragmentation: FloatArray
    planned_days: FloatArray
    window_days: FloatArray
    reburied: BoolArray

    @property
    def sample(self) -> BoolArray:
        return self.purpose == BagPurpose.SAMPLE

    @property
    def mass(self) -> FloatArray:
        """(n,) remaining, 0 where nothing was left, nan where no mass is known."""
        mass = np.where(self.outcome == LookOutcome.NOTHING_LEFT, 0.0, self.remaining)
        known = (self.outcome == LookOutcome.RECOVERED) | (self.outcome == LookOutcome.NOTHING_LEFT)
        return np.where(known & self.sample, mass, np.nan)


def look_findings(looks: LookTable) -> list[Finding]:
    """Every finding about a look."""
    if looks.look.size == 0:
        return []
    cells = cell_medians(looks.pile, looks.material, looks.day, looks.mass)
    return [
        *_over_start(looks),
        *_more_than_before(looks, cells),
        *_replicate_spread(looks, cells),
        *_hidden_compost(looks),
        *_outside_window(looks),
        *_score_against_mass(looks),
        *_gone_beside_remaining(looks, cells),
    ]


def _over_start(looks: LookTable) -> list[Finding]:
    weighed = (looks.outcome == LookOutcome.RECOVERED) & (looks.purpose != BagPurpose.EMPTY)
    over = weighed & ~looks.ash_corrected & (looks.remaining > UPPER_LIMIT_ABOVE)
    rows = np.flatnonzero(over)
    hits = Hits(rows, looks.remaining[rows], looks.remaining[rows])
    return _told(
        looks,
        hits,
        "remaining_over_105",
        "{found:.0f} % of the start mass is left. Look for adhering compost, a wet residue or the "
        "dish; with ash_pct and contaminant_ash_pct it can be corrected.",
        high=UPPER_LIMIT_ABOVE,
    )


def _more_than_before(looks: LookTable, cells: CellMedians) -> list[Finding]:
    before = cells.previous_median[cells.of_row]
    rise = looks.mass - before
    # Above 105 % has its own rule.
    rows = np.flatnonzero((rise > MORE_THAN_BEFORE + _ROUNDING) & (looks.mass <= UPPER_LIMIT_ABOVE))
    hits = Hits(
        rows, looks.mass[rows], rise[rows], before[rows], cells.previous_n[cells.of_row][rows]
    )
    return _told(
        looks,
        hits,
        "more_than_before",
        "{found:.0f} % is left, after {other:.0f} % at the previous look of this material in this "
        "pile. Compare bag labels and photos: were bags swapped?",
        step=MORE_THAN_BEFORE,
    )


def _replicate_spread(looks: LookTable, cells: CellMedians) -> list[Finding]:
    limit = REPLICATE_LIMIT_POINTS / 100.0
    wide = (cells.highest - cells.lowest > limit + _ROUNDING) & (cells.n >= 2)
    away = np.abs(looks.mass - cells.median[cells.of_row])
    farthest = np.full(cells.n.size, -np.inf)
    known = np.isfinite(away)
    np.maximum.at(farthest, cells.of_row[known], away[known])
    rows = np.flatnonzero(wide[cells.of_row] & known & (away >= farthest[cells.of_row] - _ROUNDING))
    spread = (cells.highest - cells.lowest)[cells.of_row][rows]
    hits = Hits(rows, spread, spread, cells.median[cells.of_row][rows], cells.n[cells.of_row][rows])
    return _told(
        looks,
        hits,
        "replicate_spread",
        "The {n} bags of this pile, material and day spread over {found:.0f} points, and this one "
        "is farthest from their median of {other:.0f} %.",
        high=limit,
    )


def _hidden_compost(looks: LookTable) -> list[Finding]:
    with np.errstate(divide="ignore", invalid="ignore"):
        # All the ash of the start in what is left: a clean residue cannot have more.
        most = np.minimum(looks.ash_start / np.maximum(looks.remaining, 1e-9), 1.0)
    plausible = looks.sample & ~looks.ash_corrected & (looks.remaining <= UPPER_LIMIT_ABOVE)
    rows = np.flatnonzero(plausible & (looks.ash - most > HIDDEN_ASH + _ROUNDING))
    hits = Hits(rows, looks.ash[rows], (looks.ash - most)[rows], most[rows])
    return _told(
        looks,
        hits,
        "hidden_compost",
        "The residue has {found:.0f} % ash; this material can have left {other:.0f} % at most. "
        "Compost hides in it and too much mass is counted; send contaminant_ash_pct.",
        step=HIDDEN_ASH,
    )


def _outside_window(looks: LookTable) -> list[Finding]:
    lifted = (looks.outcome != LookOutcome.LOOKED_AT) & (looks.outcome != LookOutcome.BAG_LOST)
    away = np.abs(looks.day - looks.planned_days)
    rows = np.flatnonzero(looks.sample & lifted & ~looks.reburied & (away > looks.window_days))
    make = partial(_window_finding, looks)
    hits = Hits(rows, looks.day[rows].astype(float), away[rows])
    return findings_of(hits, looks.pile, make, partial(_rest, "outside_window"))


def _window_finding(
    looks: LookTable, row: int, found: float, other: float | None, n: int | None
) -> Finding:
    planned, window = float(looks.planned_days[row]), float(looks.window_days[row])
    word = "late" if found > planned else "early"
    return Finding(
        code="outside_window",
        message=f"Lifted on day {found:.0f}, planned for day {planned:.0f}: "
        f"{abs(found - planned):.0f} days {word}. The actual day is used; check that it is right.",
        pile=int(looks.pile[row]),
        look=int(looks.look[row]),
        unit="d",
        found=found,
        limit_low=planned - window,
        limit_high=planned + window,
        compared_with=planned,
    )


def _score_against_mass(looks: LookTable) -> list[Finding]:
    score, mass = looks.fragmentation, looks.mass
    whole = (score <= WHOLE_SCORE) & (mass < WHOLE_LEAST)
    specks = (score >= SPECKS_SCORE) & (mass > SPECKS_MOST)
    gone_but_scored = (looks.outcome == LookOutcome.NOTHING_LEFT) & np.isfinite(score) & (score < 5)
    rows = np.flatnonzero(whole | specks | gone_but_scored)
    hits = Hits(rows, mass[rows], np.abs(mass[rows] - (1.0 - score[rows] / 5.0)))
    make = partial(_score_finding, looks)
    return findings_of(hits, looks.pile, make, partial(_rest, "score_against_mass"))


def _score_finding(
    looks: LookTable, row: int, found: float, other: float | None, n: int | None
) -> Finding:
    score = float(looks.fragmentation[row])
    return Finding(
        code="score_against_mass",
        message=f"Fragmentation is scored {score:.0f} (0 whole, 5 none found), but "
        f"{100 * found:.0f} % of the mass is left. Is it the same bag?",
        pile=int(looks.pile[row]),
        look=int(looks.look[row]),
        unit="%",
        found=100 * found,
        limit_low=100 * WHOLE_LEAST if score <= WHOLE_SCORE else None,
        limit_high=100 * SPECKS_MOST if score >= SPECKS_SCORE else None,
    )


def _gone_beside_remaining(looks: LookTable, cells: CellMedians) -> list[Finding]:
    others = cells.n[cells.of_row] - 1
    median = cells.median[cells.of_row]
    gone = looks.sample & (looks.outcome == LookOutcome.NOTHING_LEFT)
    rows = np.flatnonzero(gone & (others >= LEAST_NEIGHBOURS) & (median > GONE_BESIDE))
    hits = Hits(rows, np.zeros(rows.size), median[rows], median[rows], others[rows])
    return _told(
        looks,
        hits,
        "gone_beside_remaining",
        "Nothing is left in this bag, but the bags beside it have a median of {other:.0f} %. Was "
        "the bag intact? A torn or lost bag is bag_damaged or bag_lost, never nothing_left.",
        step=GONE_BESIDE,
    )


def _told(
    looks: LookTable,
    hits: Hits,
    code: str,
    sentence: str,
    *,
    high: float | None = None,
    step: float | None = None,
) -> list[Finding]:
    """Findings in per cent. `high` is the limit; `step` is what may be added to the other value."""

    def make(row: int, found: float, other: float | None, n: int | None) -> Finding:
        limit = high if step is None else (other or 0.0) + step
        found, other = 100.0 * found, None if other is None else 100.0 * other
        return Finding(
            code=code,
            message=sentence.format(found=found, other=other, n=n),
            pile=int(looks.pile[row]),
            look=int(looks.look[row]),
            unit="%",
            found=found,
            limit_high=None if limit is None else 100.0 * limit,
            compared_with=other,
            n_compared=n,
        )

    return findings_of(hits, looks.pile, make, partial(_rest, code))


def _rest(code: str, pile: int, shown: int, more: int) -> Finding:
    return Finding(
        code=code,
        message=f"{more:,} more looks in this pile break this rule, beside the {shown} shown: look "
        "for one cause of all of them.",
        pile=pile,
        unit="1",
        found=float(more),
    )
