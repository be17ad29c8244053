"""Control gates of a pile: is what happened there evidence about the test materials?

    negative control (polyethylene)  mean remaining within 97-103 % of start after cleaning.
                                     Below: handling loss. Above: contamination.
    positive control (cellulose)     at least 70 % lost by the agreed day, else the pile was
                                     inactive and 'did not disintegrate' is inconclusive there.

A failed gate marks and greys a pile with its reason; it never drops it. The limits are
suggestions of common practice without a source, shown with every result.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from registry.science.cells import sum_by
from registry.science.types import (
    BagLooks,
    BagPurpose,
    BoolArray,
    FloatArray,
    LookOutcome,
    MaterialRole,
)

NEGATIVE_LOW, NEGATIVE_HIGH = 0.97, 1.03
POSITIVE_LEAST_LOSS = 0.70
# Bags are lifted within two days of their date by default; the control is read with them.
AGREED_DAY_WINDOW = 2.0
# Guards limits against the last binary digit of a mean.
_ROUNDING = 1e-9


class Gate(StrEnum):
    """What a control says about its pile."""

    PASSED = "passed"
    HANDLING_LOSS = "handling_loss"
    CONTAMINATION = "contamination"
    INACTIVE = "inactive"
    NOT_CHECKED = "not_checked"


@dataclass(frozen=True)
class PileGates:
    """Gates of one pile. Values are mean fractions remaining, None where no control was weighed."""

    pile: int
    negative: Gate
    negative_remaining: float | None
    positive: Gate
    positive_remaining: float | None


def negative_gate(remaining: float) -> Gate:
    """Gate of the mean fraction of the negative control that remains."""
    if remaining < NEGATIVE_LOW - _ROUNDING:
        return Gate.HANDLING_LOSS
    return Gate.CONTAMINATION if remaining > NEGATIVE_HIGH + _ROUNDING else Gate.PASSED


def positive_gate(remaining: float) -> Gate:
    """Gate of the mean fraction of the positive control that remains on the agreed day."""
    return Gate.PASSED if 1.0 - remaining >= POSITIVE_LEAST_LOSS - _ROUNDING else Gate.INACTIVE


def pile_gates(looks: BagLooks, *, agreed_day: float) -> tuple[PileGates, ...]:
    """Check every pile.

    The positive control is read at its last look up to `agreed_day` (plus the window); a pile whose
    control was only looked at long before and was already gone by then has passed too.
    """
    n = len(looks.pile_labels)
    roles = np.array(looks.material_roles or (MaterialRole.TEST,) * len(looks.material_labels))
    nothing = looks.outcome == LookOutcome.NOTHING_LEFT
    remaining = np.where(nothing, 0.0, looks.remaining)
    found = (looks.outcome == LookOutcome.RECOVERED) | nothing
    used = found & np.isfinite(remaining) & ~looks.excluded & (looks.day > 0)
    used &= looks.purpose == BagPurpose.SAMPLE
    role = roles[looks.material] if len(looks) else np.zeros(0, dtype=str)
    negative = _pile_means(looks, remaining, used & (role == MaterialRole.NEGATIVE_CONTROL))
    positive = used & (role == MaterialRole.POSITIVE_CONTROL)
    due = positive & (looks.day <= agreed_day + AGREED_DAY_WINDOW)
    last = np.full(n, -np.inf)
    np.maximum.at(last, looks.pile[due], looks.day[due])
    at_last = _pile_means(looks, remaining, due & (looks.day == last[looks.pile]))
    # Not yet 70 % gone at a look long before the agreed day says nothing about the agreed day.
    early = last < agreed_day - AGREED_DAY_WINDOW
    gates = []
    for p in range(n):
        low = None if np.isnan(negative[p]) else float(negative[p])
        gone = None if np.isnan(at_last[p]) else float(at_last[p])
        verdict = Gate.NOT_CHECKED if gone is None else positive_gate(gone)
        if verdict is Gate.INACTIVE and early[p]:
            verdict = Gate.NOT_CHECKED
        gates.append(
            PileGates(
                p, Gate.NOT_CHECKED if low is None else negative_gate(low), low, verdict, gone
            )
        )
    return tuple(gates)


def _pile_means(looks: BagLooks, values: FloatArray, keep: BoolArray) -> FloatArray:
    n = len(looks.pile_labels)
    count = np.bincount(looks.pile[keep], minlength=n)
    total = sum_by(looks.pile[keep], values[keep], n)
    return np.asarray(np.divide(total, count, out=np.full(n, np.nan), where=count > 0))
