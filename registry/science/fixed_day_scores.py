"""Fragmentation scores on the primary day, one cumulative-link mixed model per material.

The answer is the chance of each class (0 whole … 5 none found) in a new pile at a new site, with
the counts beside it; `estimate` is the median class of those chances. An intact bag with nothing
left that nobody scored is class 5 by its meaning, "none found". Scores of bags looked at in place
count like those of bags lifted.
"""

import numpy as np

from registry.science.ordinal import OrdinalFit, OrdinalOutcome, class_chances, fit_ordinal
from registry.science.pool_warnings import about_sites, counts_of
from registry.science.predict import MIN_SITES_TO_POOL
from registry.science.types import (
    BagLooks,
    BagPurpose,
    BoolArray,
    ClassChance,
    FitDidNotConverge,
    FloatArray,
    IntArray,
    LookOutcome,
    PooledEstimate,
    Warning_,
)
from registry.science.used_looks import UsedLooks

MODEL = "ordinal"
METHOD = (
    "Cumulative-link mixed model of the fragmentation score (logit), site random and pile nested "
    "in site, Laplace approximation; chances averaged over new sites and piles."
)
NONE_FOUND = 5
NOT_CONVERGED = Warning_(
    "did_not_converge", "The fit of the scores did not settle on one answer, so none is given."
)


def score_on_day(
    used: UsedLooks, *, day: float, window_days: float, heat_class: str, model_version: str
) -> tuple[PooledEstimate, ...]:
    """One record per material scored on the day; none when nothing was scored.

    Parameters
    ----------
    window_days : looks up to so many days before or after count for the day.
    """
    looks = used.looks
    score = _scores(looks)
    chosen = _usable(looks, score) & (np.abs(looks.day - day) <= window_days)
    return tuple(
        _record(used, int(m), score, chosen & (looks.material == m), day, heat_class, model_version)
        for m in np.unique(looks.material[chosen])
    )


def _scores(looks: BagLooks) -> FloatArray:
    unscored_zero = (looks.outcome == LookOutcome.NOTHING_LEFT) & np.isnan(looks.fragmentation)
    return np.where(unscored_zero, NONE_FOUND, looks.fragmentation)


def _usable(looks: BagLooks, score: FloatArray) -> BoolArray:
    sample = (looks.purpose == BagPurpose.SAMPLE) & (looks.day > 0)
    return np.asarray(sample & ~looks.excluded & np.isfinite(score))


def _record(
    used: UsedLooks,
    m: int,
    score: FloatArray,
    mine: BoolArray,
    day: float,
    heat_class: str,
    model_version: str,
) -> PooledEstimate:
    looks = used.looks
    classes = score[mine].astype(np.int64)
    fit = _fitted(classes, looks.site[mine], looks.pile[mine])
    n_sites = len(np.unique(looks.site[mine]))
    n_piles, n_bags = len(np.unique(looks.pile[mine])), len(np.unique(looks.bag[mine]))
    counts = counts_of(used, m, n_sites, n_piles, n_bags)
    chances = _chances(fit, classes)
    return PooledEstimate(
        trial=looks.trial,
        material=looks.material_labels[m],
        outcome="fragmentation_at_day",
        model=MODEL,
        day=day,
        heat_class=heat_class,
        time_scale="days",
        estimate=_median_class(chances),
        ci_low=None,
        ci_high=None,
        pi_low=None,
        pi_high=None,
        level=0.95,
        unit="1",
        log_estimate=None,
        log_standard_error=None,
        tau2_site=fit.tau2_site if fit else None,
        tau2_pile=fit.tau2_pile if fit else None,
        i2_pct=None,
        q=None,
        q_df=None,
        q_p=None,
        n_sites=n_sites,
        n_piles=n_piles,
        n_bags=n_bags,
        n_excluded=counts.n_excluded,
        n_lost=counts.n_lost,
        n_nothing_left=counts.n_nothing_left,
        method=METHOD,
        model_version=model_version,
        class_chances=chances,
        warnings=_warnings(fit, n_sites),
        converged=fit is None or fit.converged,
        at_boundary=fit is not None and fit.at_boundary,
        n_evaluations=fit.n_evaluations if fit else 0,
    )


def _fitted(classes: IntArray, site: IntArray, pile: IntArray) -> OrdinalFit | None:
    """The fit; None for a single site, or when no maximum was found."""
    if len(np.unique(site)) < MIN_SITES_TO_POOL:
        return None
    try:
        return fit_ordinal(classes, site, pile)
    except FitDidNotConverge:
        return None


def _chances(fit: OrdinalFit | None, classes: IntArray) -> tuple[ClassChance, ...]:
    """Every class of the scale with its count; a chance where there is a fit."""
    chance: dict[int, float] = {}
    if fit is not None and fit.outcome is OrdinalOutcome.ESTIMATED:
        modelled = class_chances(fit)
        chance = dict(zip(modelled.classes, modelled.new_pile.tolist(), strict=True))
    return tuple(
        ClassChance(
            score=c,
            count=int((classes == c).sum()),
            probability=chance.get(c, 0.0 if chance else None),
        )
        for c in range(NONE_FOUND + 1)
    )


def _median_class(chances: tuple[ClassChance, ...]) -> float | None:
    if any(chance.probability is None for chance in chances):
        return None
    cumulative = np.cumsum([chance.probability or 0.0 for chance in chances])
    return float(np.searchsorted(cumulative, 0.5 - 1e-12))


def _warnings(fit: OrdinalFit | None, n_sites: int) -> tuple[Warning_, ...]:
    if n_sites < MIN_SITES_TO_POOL:
        return tuple(about_sites(n_sites, None, True))
    if fit is None:
        return (NOT_CONVERGED,)
    return (*fit.notes, *about_sites(n_sites, fit.tau2_site, fit.tau2_pile is not None))
