"""The primary, one-stage pooling of a trial: one likelihood per material (`one_stage/`).

Each material's usable looks go into `fit_one_stage`; the Student-t check, leave-one-site-out and
the two worst cases of lost bags stand beside the answer. Heterogeneity statistics (Q, I²) belong
to the two-stage summary and are left out here.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from registry.science import pool_warnings as say
from registry.science.both_cores import over_all
from registry.science.one_stage.cells import Looks, check_looks
from registry.science.one_stage.fit import fit_looks
from registry.science.one_stage.records import LagEstimate, OneStageFit, OneStageOutcome
from registry.science.one_stage.records import SiteRate as OwnAndShrunken
from registry.science.one_stage.sensitivity import leave_one_site_out, student_check
from registry.science.predict import MIN_SITES_TO_POOL
from registry.science.rate_pool import LossCase, RatePool, SiteRate, WithoutSite
from registry.science.types import (
    BagLooks,
    BoolArray,
    FitDidNotConverge,
    LookOutcome,
    Warning_,
)
from registry.science.used_looks import (
    LOST_AS_GONE,
    LOST_AS_UNTOUCHED,
    UsedLooks,
    cut_of,
    is_lost,
    losses_as,
    with_losses_as,
)

MODEL = "one_stage"
METHOD = (
    "One stage. First-order loss after a lag, bags below the detection limit censored, bags over "
    "105 % left out and the others counted by their chance to stay, residual variance a + b·f²; "
    "log rate with site random and pile nested in site (and a bag effect where bags are looked at "
    "again); Laplace approximation of the restricted likelihood; mean with t (sites - 1), new pile "
    "at a new site with t (sites - 2)."
)
# Looks of a trial from which a second process is worth its start of half a second.
MANY_LOOKS = 20_000
# The other outcomes say why themselves, in the fit's notes.
NO_RATE_BECAUSE = {
    OneStageOutcome.ALL_GONE_AT_FIRST_LOOK: say.GONE_FIRST,
    OneStageOutcome.NO_MEASURABLE_LOSS: say.NO_LOSS,
    OneStageOutcome.TOO_FEW_LOOKS: say.NO_RATE,
}


def pool_in_one_stage(used: UsedLooks, on_step: Callable[[str, int, int], None]) -> list[RatePool]:
    """Pool every material; see the module's head."""
    n = used.n_materials
    on_step("one_stage", 0, n)
    pools = over_all(
        _pool_alone,
        [(used.of_material(m), m) for m in range(n)],
        second=len(used.looks) >= MANY_LOOKS,
        on_done=lambda done: on_step("one_stage", done, n),
    )
    on_step("one_stage", n, n)
    return pools


def _pool_alone(item: tuple[UsedLooks, int]) -> RatePool:
    return _pool_material(*item)


def _pool_material(used: UsedLooks, m: int) -> RatePool:
    mine = _Material.of(used, m)
    pool = _blank(used, m, mine)
    if mine.looks is None:
        return pool.with_warnings(say.NO_LOOKS)
    try:
        fit = fit_looks(mine.looks)
    except FitDidNotConverge:
        return replace(pool, converged=False).with_warnings(say.NOT_CONVERGED)
    pool = _with_fit(pool, mine, fit)
    if fit.outcome is not OneStageOutcome.ESTIMATED:
        pool = replace(pool, rate_low=fit.rate_low, rate_high=fit.rate_high)
        named = NO_RATE_BECAUSE.get(fit.outcome)
        said = named is None or any(warning.code == named.code for warning in fit.notes)
        return pool if said or named is None else pool.with_warnings(named)
    if mine.looks.n_sites < MIN_SITES_TO_POOL:
        return replace(pool, mu=None, se=None).with_warnings(*say.about_sites(1, None, True))
    pool = replace(pool, left_out=_left_out(mine, fit), loss_cases=_loss_cases(used, m, fit))
    pool = _with_handling(pool, used, m, mine.looks, fit)
    return replace(
        pool,
        warnings=(
            *_student_warning(mine.looks, fit),
            *pool.warnings,
            *say.about_sites(mine.looks.n_sites, fit.tau2_site, fit.tau2_pile is not None),
            *say.about_worst_cases(pool),
        ),
    )


@dataclass(frozen=True)
class _Material:
    """The looks of one material as the one-stage model reads them; None when there are none."""

    looks: Looks | None
    site_labels: tuple[str, ...]
    notes: dict[str, str | None]
    bags_at: dict[str, int]

    @classmethod
    def of(cls, used: UsedLooks, m: int) -> "_Material":
        chosen = used.in_fit & (used.looks.material == m)
        looks = _checked(used.looks, chosen) if chosen.any() else None
        sites = np.unique(used.looks.site[chosen])
        labels = used.looks.site_labels
        return cls(
            looks,
            labels,
            {labels[s]: say.site_note(used, m, int(s)) for s in sites},
            {labels[s]: _n_bags(used.looks, chosen & (used.looks.site == s)) for s in sites},
        )

    def label(self, code: int) -> str:
        """Name of a site of the fit, which speaks in the caller's codes."""
        return self.site_labels[code]


def _checked(looks: BagLooks, chosen: BoolArray) -> Looks:
    gone = looks.outcome == LookOutcome.NOTHING_LEFT
    return check_looks(
        looks.site[chosen],
        looks.pile[chosen],
        looks.day[chosen],
        np.where(gone, 0.0, looks.remaining)[chosen],
        gone[chosen],
        looks.detection_limit[chosen],
        looks.bag[chosen],
        looks.measurement_sd[chosen],
        cut_of(looks)[chosen],
    )


def _n_bags(looks: BagLooks, rows: BoolArray) -> int:
    return len(np.unique(looks.bag[rows]))


def _blank(used: UsedLooks, m: int, mine: _Material) -> RatePool:
    n_piles = len(np.unique(used.unit_pile[used.unit_material == m]))
    counts = say.counts_of(used, m, len(mine.bags_at), n_piles, sum(mine.bags_at.values()))
    return RatePool(
        material=used.looks.material_labels[m],
        model=MODEL,
        method=METHOD,
        counts=counts,
        last_day=float(used.last_day[m]),
        warnings=(*say.about_looks(used, m, counts), *say.about_controls(used, m)),
    )


def _with_fit(pool: RatePool, mine: _Material, fit: OneStageFit) -> RatePool:
    lag = fit.lag or _NO_LAG
    sd = lag.standard_error or 0.0
    return replace(
        pool,
        mu=fit.mu,
        se=fit.se,
        tau2_site=fit.tau2_site,
        tau2_pile=fit.tau2_pile,
        lag=lag.days,
        lag_low=lag.days if lag.low is None else lag.low,
        lag_high=lag.days if lag.high is None else lag.high,
        lag_sd=sd,
        mu_by_lag=fit.mu_lag_covariance / sd**2 if sd > 0 else 0.0,
        lag_identified=lag.identified,
        residual_a=fit.a,
        residual_b=fit.b,
        sites=tuple(_site(site, mine) for site in fit.sites),
        converged=fit.outcome is not OneStageOutcome.NO_OPTIMUM,
        at_boundary=fit.at_boundary,
        n_evaluations=fit.n_evaluations,
        warnings=(*pool.warnings, *fit.notes),
    )


_NO_LAG = LagEstimate(0.0, None, None, None, identified=False, seen=False, rate_times_lag=0.0)


def _site(site: OwnAndShrunken, mine: _Material) -> SiteRate:
    label = mine.label(site.site)
    return SiteRate(
        site=label,
        mu=site.own,
        se=site.own_se,
        shrunken_mu=site.shrunken,
        weight_pct=100.0 * site.weight,
        n_piles=site.n_piles,
        n_bags=mine.bags_at[label],
        note=mine.notes[label] or (None if site.own is not None else "no rate of its own"),
    )


def _left_out(mine: _Material, fit: OneStageFit) -> tuple[WithoutSite, ...]:
    if mine.looks is None:
        return ()
    return tuple(
        WithoutSite(
            mine.label(part.site), part.mu, part.se, part.tau2_site or 0.0, mine.looks.n_sites - 1
        )
        for part in leave_one_site_out(mine.looks, fit)
        if part.mu is not None and part.se is not None
    )


def _loss_cases(used: UsedLooks, m: int, main: OneStageFit) -> tuple[LossCase, ...]:
    """The fit again with lost bags as gone and as untouched."""
    lost = is_lost(used.looks) & (used.looks.day > 0) & (used.looks.material == m)
    if not lost.any():
        return ()
    return tuple(_loss_case(used, m, case, main) for case in (LOST_AS_GONE, LOST_AS_UNTOUCHED))


def _loss_case(part: UsedLooks, m: int, assumption: str, main: OneStageFit) -> LossCase:
    chosen = with_losses_as(part, assumption).in_fit & (part.looks.material == m)
    checked = _checked(losses_as(part.looks, assumption), chosen)
    try:
        fit = fit_looks(checked, near=main)
    except FitDidNotConverge:
        return LossCase(assumption, None, None, checked.n_sites)
    return LossCase(assumption, fit.mu, fit.se, checked.n_sites)


def _with_handling(
    pool: RatePool, used: UsedLooks, m: int, looks: Looks, fit: OneStageFit
) -> RatePool:
    """The travel bags' common correction moves all sites together, so it widens the mean alone.

    How far: the fit again with the correction one standard error away.
    """
    handling = used.handling[m]
    if handling is None or not handling.corrects or pool.se is None or pool.mu is None:
        return pool
    factor = 1.0 + handling.standard_error / handling.remaining
    try:
        moved = fit_looks(replace(looks, remaining=looks.remaining * factor), near=fit).mu
    except FitDidNotConverge:
        moved = None
    if moved is None:
        return pool
    return replace(pool, se=float(np.hypot(pool.se, moved - pool.mu)))


def _student_warning(looks: Looks, fit: OneStageFit) -> list[Warning_]:
    check = student_check(looks, fit)
    if check is None or not check.warns:
        return []
    return [
        Warning_(
            "few_bags_move_the_rate",
            f"With a residual that gives odd bags less weight, the mean log rate moves by "
            f"{check.difference_in_se:+.1f} standard errors: a few bags decide. Look at them "
            "before using the number.",
        )
    ]
