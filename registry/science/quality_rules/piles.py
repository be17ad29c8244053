"""Rules for a pile as a whole: its controls, and how many of its bags came back."""

import numpy as np

from registry.science.controls import (
    NEGATIVE_HIGH,
    NEGATIVE_LOW,
    POSITIVE_LEAST_LOSS,
    Gate,
    PileGates,
    pile_gates,
)
from registry.science.quality_rules.findings import Finding
from registry.science.quality_rules.looks import LookTable
from registry.science.types import BagLooks, BoolArray, LookOutcome

LEAST_RECOVERED = 0.80
LEAST_LIFTED = 5

PILE_CODES = {
    "control_lost_mass": "polyethylene below 97 %: mass is lost in handling",
    "control_gained_mass": "polyethylene above 103 %: compost adheres after cleaning",
    "control_not_degraded": "cellulose less than 70 % gone by the primary day: an inactive pile",
    "few_bags_recovered": "fewer than 80 % of the bags came back whole",
}


def pile_findings(
    looks: LookTable, *, roles: dict[int, str], excluded: BoolArray, agreed_day: float
) -> list[Finding]:
    """Findings about the piles of one trial.

    `roles` material id → role; `excluded` (n,) looks a person left out; `agreed_day` is the day by
    which the positive control must have gone.
    """
    if looks.look.size == 0:
        return []
    piles, of_pile = np.unique(looks.pile, return_inverse=True)
    gates = pile_gates(_coded(looks, roles, excluded, of_pile), agreed_day=agreed_day)
    found = [finding for gate in gates for finding in _of_controls(int(piles[gate.pile]), gate)]
    return [*found, *_few_recovered(looks, piles, of_pile)]


def _coded(
    looks: LookTable, roles: dict[int, str], excluded: BoolArray, of_pile: np.ndarray
) -> BagLooks:
    materials, material = np.unique(looks.material, return_inverse=True)
    n, n_piles = looks.look.size, int(of_pile.max()) + 1
    return BagLooks(
        site=np.zeros(n, dtype=np.int64),
        pile=of_pile,
        material=material,
        bag=np.zeros(n, dtype=np.int64),
        day=looks.day.astype(float),
        remaining=looks.remaining,
        outcome=looks.outcome,
        detection_limit=np.full(n, 0.02),
        excluded=excluded,
        fragmentation=looks.fragmentation,
        measurement_sd=np.zeros(n),
        ash_corrected=looks.ash_corrected,
        purpose=looks.purpose,
        site_labels=("",),
        pile_labels=("",) * n_piles,
        material_labels=tuple(map(str, materials)),
        pile_site=np.zeros(n_piles, dtype=np.int64),
        material_roles=tuple(roles[int(pk)] for pk in materials),
    )


def _of_controls(pile: int, gate: PileGates) -> list[Finding]:
    found = []
    left = gate.negative_remaining
    if left is not None and gate.negative in (Gate.HANDLING_LOSS, Gate.CONTAMINATION):
        lost = gate.negative is Gate.HANDLING_LOSS
        found.append(
            Finding(
                code="control_lost_mass" if lost else "control_gained_mass",
                message=f"The polyethylene control is at {100 * left:.1f} % of its start mass on "
                f"average; it should stay within 97–103 %. Other bags of this pile "
                + ("lose mass in handling too." if lost else "carry adhering compost too."),
                pile=pile,
                unit="%",
                found=100 * left,
                limit_low=100 * NEGATIVE_LOW,
                limit_high=100 * NEGATIVE_HIGH,
            )
        )
    left = gate.positive_remaining
    if left is not None and gate.positive is Gate.INACTIVE:
        found.append(
            Finding(
                code="control_not_degraded",
                message=f"Only {100 * (1 - left):.0f} % of the cellulose control was gone by the "
                "primary day, less than 70 %. The pile was inactive: what is left of other items "
                "there is inconclusive, not a failure.",
                pile=pile,
                unit="%",
                found=100 * (1 - left),
                limit_low=100 * POSITIVE_LEAST_LOSS,
            )
        )
    return found


def _few_recovered(looks: LookTable, piles: np.ndarray, of_pile: np.ndarray) -> list[Finding]:
    lifted = looks.sample & (looks.outcome != LookOutcome.LOOKED_AT)
    missing = (looks.outcome == LookOutcome.BAG_LOST) | (looks.outcome == LookOutcome.BAG_DAMAGED)
    n = np.bincount(of_pile[lifted], minlength=piles.size)
    gone = np.bincount(of_pile[lifted & missing], minlength=piles.size)
    share = 1.0 - gone / np.maximum(n, 1)
    return [
        Finding(
            code="few_bags_recovered",
            message=f"{gone[at]} of the {n[at]} bags lifted from this pile were lost or damaged. "
            "Torn bags are often the most degraded, so what came back may not speak for the rest.",
            pile=int(piles[at]),
            unit="%",
            found=100.0 * float(share[at]),
            limit_low=100.0 * LEAST_RECOVERED,
            n_compared=int(n[at]),
        )
        for at in np.flatnonzero((n >= LEAST_LIFTED) & (share < LEAST_RECOVERED - 1e-9))
    ]
