"""The sentences that go with a pooled rate. Codes are permanent; the texts may improve.

A warning is written for the coordinator who has to decide what to do with the number.
"""

from collections.abc import Sequence

import numpy as np

from registry.science.controls import Gate
from registry.science.mass_balance import MIN_TRAVEL_BAGS
from registry.science.piles import RatelessSites, Units
from registry.science.rate_pool import Counts, RatePool
from registry.science.types import IntArray, LookOutcome, Warning_
from registry.science.used_looks import UsedLooks

# Three or four sites give an interval, but one so wide that it is mostly a reminder to add sites.
FEW_SITES = 5
# Below this share of bags found, what was lost may decide the answer (common practice, no source).
LEAST_RECOVERED = 0.8


def about_sites(n_sites: int, tau2_site: float | None, separable: bool) -> list[Warning_]:
    """What the number of sites, and their spread, allow."""
    out = []
    if n_sites == 1:
        out.append(
            Warning_("one_site", "Only one site has a rate: nothing can be pooled from one site.")
        )
    elif n_sites == 2:
        out.append(
            Warning_(
                "two_sites",
                "Two sites: look at them side by side. How much a third one would differ cannot be "
                "told from two, so no prediction is made.",
            )
        )
    elif n_sites < FEW_SITES:
        out.append(
            Warning_(
                "few_sites",
                f"Only {n_sites} sites: the intervals are wide, and honest in being so.",
            )
        )
    if n_sites >= 2 and tau2_site == 0.0:
        out.append(
            Warning_(
                "no_site_variance",
                "The sites differ no more than their piles and bags explain: the estimated "
                "variance between sites is zero. That is a result, not a proof of likeness.",
            )
        )
    if n_sites >= 2 and not separable:
        out.append(
            Warning_(
                "one_pile_per_site",
                "With one pile at every site, differences between sites and between piles cannot "
                "be separated; both are reported as differences between sites.",
            )
        )
    return out


def about_lag(identified: bool, borrowed: bool) -> list[Warning_]:
    """What the looks could not tell about the curve."""
    out = []
    if not identified:
        out.append(
            Warning_(
                "lag_not_identified",
                "The looks do not tell when the loss began (too few, or too late for the "
                "beginning); "
                "the lag is taken as zero, so a rate after a true lag would be higher.",
            )
        )
    if borrowed:
        out.append(
            Warning_(
                "residual_variance_borrowed",
                "Too few bags for a residual variance of their own; that of the other thin "
                "materials is used, or 5 % of the start mass where there is none.",
            )
        )
    return out


def about_rateless(
    names: Sequence[str], statuses_gone: Sequence[bool], n_sites: int, pooled: bool
) -> list[Warning_]:
    """Sites that carry no rate, while others do."""
    if not names:
        return []
    gone = [n for n, g in zip(names, statuses_gone, strict=True) if g]
    kept = [n for n, g in zip(names, statuses_gone, strict=True) if not g]
    parts = []
    if kept:
        parts.append(f"no loss could be measured at {', '.join(kept)}")
    if gone:
        parts.append(f"everything was gone before the first look at {', '.join(gone)}")
    tail = (
        "The pooled rate rests on the other sites and leans towards them."
        if pooled
        else "Too few sites carry a rate for a pooled one."
    )
    code = "sites_without_rate" if pooled else "mostly_without_rate"
    return [
        Warning_(code, f"{len(names)} of {n_sites} sites have no rate: {'; '.join(parts)}. {tail}")
    ]


NO_LOSS = Warning_(
    "no_measurable_loss",
    "No measurable loss by the last look: there is no rate to pool, only an upper bound for it.",
)
GONE_FIRST = Warning_(
    "gone_before_first_look",
    "Everything was gone at the first look: there is no rate to pool, only a lower bound for it.",
)
NO_RATE = Warning_(
    "no_rate",
    "No site was looked at on enough days to give a rate of its own, so nothing can be pooled.",
)
NO_LOOKS = Warning_("no_looks", "No weighed bag of this material can be used yet.")
NOT_CONVERGED = Warning_(
    "did_not_converge",
    "The fit did not settle on one answer, so no number is given. Look at the bags of this "
    "material.",
)


def about_joined(units: Units, mine: IntArray, site_labels: Sequence[str]) -> list[Warning_]:
    """Piles that entered through their site."""
    names = sorted({site_labels[units.site[i]] for i in mine if units.joined[i]})
    if not names:
        return []
    return [
        Warning_(
            "piles_joined",
            f"At {', '.join(names)} a pile carries no rate of its own (looked at once, no "
            "measurable loss, or gone before the first look); its bags were fitted together with "
            "others of that site.",
        )
    ]


def about_looks(used: UsedLooks, material: int, counts: Counts) -> list[Warning_]:
    """Bags that did not enter, and the correction by travel bags."""
    out = []
    upper = int((used.upper_limit & (used.looks.material == material)).sum())
    if upper:
        out.append(
            Warning_(
                "upper_limits_left_out",
                f"{_bags(upper)} weighed more than 105 % of the start mass: compost in the bag. "
                "They are kept and listed, and left out of the fit until corrected by ash.",
            )
        )
    buried = counts.n_bags + counts.n_lost
    if counts.n_lost and counts.n_bags < LEAST_RECOVERED * buried:
        out.append(
            Warning_(
                "many_bags_lost",
                f"{_bags(counts.n_lost)} lost or damaged, of {buried}. If these were the most "
                "degraded ones, the rate is too low; see the two worst cases.",
            )
        )
    h = used.handling[material]
    if h and h.corrects:
        out.append(
            Warning_(
                "handling_loss_corrected",
                f"{_bags(h.n_bags)} buried and lifted on day 0 held {100 * h.remaining:.1f} % of "
                f"their start mass (± {100 * h.standard_error:.1f}); all masses are divided by it.",
            )
        )
    elif h:
        out.append(
            Warning_(
                "few_travel_bags",
                f"Only {_bags(h.n_bags)} buried and lifted on day 0 (mean {100 * h.remaining:.1f} "
                f"% of the start mass); {MIN_TRAVEL_BAGS} are needed to correct by them.",
            )
        )
    return out


def about_controls(used: UsedLooks, material: int) -> list[Warning_]:
    """Failed gates of the piles this material was in."""
    piles = set(used.unit_pile[used.unit_material == material].tolist())
    looks = used.looks
    named: dict[Gate, list[str]] = {
        Gate.INACTIVE: [],
        Gate.HANDLING_LOSS: [],
        Gate.CONTAMINATION: [],
    }
    for g in used.gates:
        for verdict in (g.positive, g.negative):
            if g.pile in piles and verdict in named:
                site = looks.site_labels[looks.pile_site[g.pile]]
                named[verdict].append(f"{site} {looks.pile_labels[g.pile]}")
    texts = {
        Gate.INACTIVE: (
            "inactive_pile",
            "The positive control had not lost 70 % by the agreed day in {}: the pile was not "
            "working, so what did not disintegrate there is inconclusive, not a failure.",
        ),
        Gate.HANDLING_LOSS: (
            "negative_control_low",
            "The negative control weighed less than 97 % of its start in {}: pieces are lost in "
            "handling or cleaning.",
        ),
        Gate.CONTAMINATION: (
            "negative_control_high",
            "The negative control weighed more than 103 % of its start in {}: compost sticks to "
            "the residue.",
        ),
    }
    return [
        Warning_(texts[gate][0], texts[gate][1].format(", ".join(sorted(names))))
        for gate, names in named.items()
        if names
    ]


def about_worst_cases(pool: RatePool) -> list[Warning_]:
    """Whether lost bags could decide the answer."""
    p = pool.prediction()
    if p is None or not pool.loss_cases:
        return []
    half = p.t_mean * p.se_with_lag
    decisive = [c for c in pool.loss_cases if c.mu is None or abs(c.mu - p.mu) > half]
    if not decisive:
        return []
    return [
        Warning_(
            "lost_bags_decide",
            "Had the lost and damaged bags been all gone, or all untouched, the rate would lie "
            "outside its interval: what happened to them decides the answer.",
        )
    ]


def counts_of(used: UsedLooks, material: int, n_sites: int, n_piles: int, n_bags: int) -> Counts:
    """Looks of one material by what became of them."""
    looks = used.looks
    mine = looks.material == material
    lost = (looks.outcome == LookOutcome.BAG_LOST) | (looks.outcome == LookOutcome.BAG_DAMAGED)
    nothing = looks.outcome == LookOutcome.NOTHING_LEFT
    return Counts(
        n_sites=n_sites,
        n_piles=n_piles,
        n_bags=n_bags,
        n_excluded=int((mine & looks.excluded).sum()),
        n_lost=int((mine & lost & ~looks.excluded).sum()),
        n_nothing_left=int((mine & nothing & ~looks.excluded).sum()),
    )


def site_note(used: UsedLooks, material: int, site: int) -> str | None:
    """Why a site is shown greyed: its inactive piles with this material."""
    piles = set(used.unit_pile[used.unit_material == material].tolist())
    looks = used.looks
    names = [
        looks.pile_labels[p]
        for p in used.inactive_piles()
        if looks.pile_site[p] == site and p in piles
    ]
    return f"inactive pile: {', '.join(names)}" if names else None


def rateless_of(rateless: RatelessSites, material: int) -> IntArray:
    """Rows of `rateless` about one material."""
    return np.flatnonzero(rateless.material == material)


def _bags(n: int) -> str:
    return "one bag" if n == 1 else f"{n} bags"
