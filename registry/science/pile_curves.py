"""Decay curves of every pile and material of a trial: what each unit's looks say by themselves.

The looks are those of the pooling (`used_looks`): handling loss corrected, excluded and lost bags
left out, empty bags below their detection limit. With the residual variance a + b·f² that the
one-stage model found for the material, the curves are fitted by the censored likelihood
(`censored_curves`); without one, by least squares (`curves`). Bags looked at again count as looks
of their own: one pile has too few to tell a bag effect.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from registry.science.censored_curves import fit_censored_curves
from registry.science.curve_results import CENSORED_LIKELIHOOD, LEAST_SQUARES, CurveSet
from registry.science.curves import fit_curves
from registry.science.types import BoolArray, LookOutcome
from registry.science.used_looks import UsedLooks

# a below this is no scatter of a real balance, and its inverse drowns everything else.
LEAST_A = 1e-6
DEFAULT_DETECTION_LIMIT = 0.02


@dataclass(frozen=True, slots=True)
class PileCurves:
    """The curves of one pile and material, by labels.

    outcome : `fitted`, or the code of why there is no curve (`no_look`, `one_day`,
        `all_gone_at_first_look`, `rate_not_positive`), with `message`.
    method : `censored_likelihood` or `least_squares`; a, b the residual variance of the first.
    """

    site: str
    pile: str
    material: str
    outcome: str
    message: str
    method: str
    a: float | None
    b: float | None
    n_looks: int
    n_days: int
    n_nothing_left: int
    curves: CurveSet


def curves_of_pile(
    used: UsedLooks, pile: int, variances: Mapping[str, tuple[float, float]]
) -> Iterator[PileCurves]:
    """The curves of each material with a usable look in the pile (its code in `used.looks`).

    variances : material label → (a, b) of the residual variance of the fraction remaining.
    """
    here = used.in_fit & (used.looks.pile == pile)
    for material in np.unique(used.looks.material[here]):
        rows = here & (used.looks.material == material)
        label = used.looks.material_labels[int(material)]
        yield _curves_of(used, rows, pile, label, variances.get(label))


def _curves_of(
    used: UsedLooks, rows: BoolArray, pile: int, material: str, variance: tuple[float, float] | None
) -> PileCurves:
    looks = used.looks
    gone = looks.outcome[rows] == LookOutcome.NOTHING_LEFT
    day, left = looks.day[rows], np.where(gone, 0.0, looks.remaining[rows])
    limits = looks.detection_limit[rows]
    limit = float(np.median(limits[gone])) if gone.any() else DEFAULT_DETECTION_LIMIT
    a, b = variance or (None, None)
    if a is None or b is None:
        found = fit_curves(day, left, gone, limit)
    else:
        a = max(a, LEAST_A)
        found = fit_censored_curves(day, left, gone, limit, (a, b))
    why = found.warnings[0] if not found.fits and found.warnings else None
    return PileCurves(
        site=looks.site_labels[int(looks.pile_site[pile])],
        pile=looks.pile_labels[pile],
        material=material,
        outcome=why.code if why else "fitted",
        message=why.message if why else (found.bound.because if found.bound else ""),
        method=LEAST_SQUARES if a is None else CENSORED_LIKELIHOOD,
        a=a,
        b=b,
        n_looks=int(rows.sum()),
        n_days=int(np.unique(day).size),
        n_nothing_left=int(gone.sum()),
        curves=found,
    )
