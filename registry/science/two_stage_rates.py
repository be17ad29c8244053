"""The auditable two-stage pooling of a trial: pile rates first, then sites.

Stage 1 is `decay.py` and `piles.py`, for all materials at once; stage 2 is `two_stage.py`, material
by material. What stage 1 shares (the lag, the correction by travel bags) moves all piles
together, so its uncertainty is added to the standard error of the mean, not to that of each pile.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from registry.science import pool_warnings as say
from registry.science.cells import regroup
from registry.science.decay import DecayFits, RateStatus, fit_decay
from registry.science.loss_sensitivity import LossRefit, pool_losses, refit_losses
from registry.science.piles import RatelessSites, Units, material_bounds, units_of
from registry.science.predict import MIN_SITES_TO_POOL
from registry.science.rate_pool import RatePool, SiteRate, WithoutSite, number
from registry.science.two_stage import SecondStage, pool_units
from registry.science.types import FitDidNotConverge, IntArray, Warning_
from registry.science.used_looks import UsedLooks

MODEL = "two_stage"
METHOD = (
    "Two stages. Stage 1: lag and first-order loss per pile by censored maximum likelihood, with "
    "lag and residual variance (a + b·f²) shared by the piles of a material. Stage 2: log rates "
    "by REML with known variances, site random and pile nested in site; mean with t (sites - 1), "
    "new pile at a new site with t (sites - 2); Q and I² of the sites' own estimates."
)
# A pooled rate that rests on fewer than half of the sites would speak for the wrong ones.
LEAST_SHARE_WITH_RATE = 0.5
_Z95 = 1.959963984540054


@dataclass(frozen=True)
class _Stage1:
    used: UsedLooks
    fits: DecayFits
    units: Units
    rateless: RatelessSites


def pool_in_two_stages(used: UsedLooks, on_step: Callable[[str, int, int], None]) -> list[RatePool]:
    """Pool every material; see the module's head."""
    n = used.n_materials
    on_step("pile_fits", 0, 1)
    fits = fit_decay(used.cells, used.unit_material, n)
    stage1 = _Stage1(used, fits, *units_of(used, fits))
    on_step("pile_fits", 1, 1)
    cases = refit_losses(used, fits)
    bags = _bags_per_site(used)
    pools = []
    for m in range(n):
        on_step("sites", m, n)
        pools.append(_pool_material(stage1, cases, bags, m))
    on_step("sites", n, n)
    return _with_bounds(stage1, pools)


def _pool_material(stage1: _Stage1, cases: list[LossRefit], bags: IntArray, m: int) -> RatePool:
    used, fits, units = stage1.used, stage1.fits, stage1.units
    mine = np.flatnonzero(units.material == m)
    without = say.rateless_of(stage1.rateless, m)
    n_with = len(np.unique(units.site[mine]))
    n_seen = n_with + len(without)
    pool = _blank(stage1, bags, m, n_seen)
    if n_seen == 0:
        return pool.with_warnings(say.NO_LOOKS)
    if not fits.converged[m]:
        return replace(pool, converged=False).with_warnings(say.NOT_CONVERGED)
    enough = n_with >= MIN_SITES_TO_POOL and n_with >= LEAST_SHARE_WITH_RATE * n_seen
    try:
        second = pool_units(units, mine) if n_with >= MIN_SITES_TO_POOL else None
    except FitDidNotConverge:
        return replace(pool, converged=False).with_warnings(say.NOT_CONVERGED)
    pool = replace(pool, sites=_sites(stage1, second, bags, mine, without, m))
    pool = pool.with_warnings(*_rateless_warnings(stage1, without, n_with, n_seen, enough))
    if not enough or second is None:
        return pool.with_warnings(*(say.about_sites(1, None, True) if n_with == n_seen else []))
    pool = _filled(pool, stage1, second, mine, m, n_with)
    pool = replace(pool, loss_cases=tuple(pool_losses(case, m) for case in cases if case.has(m)))
    return pool.with_warnings(
        *say.about_sites(n_with, second.tau2_site, second.separable),
        *say.about_joined(units, mine, used.looks.site_labels),
        *say.about_worst_cases(pool),
    )


def _blank(stage1: _Stage1, bags: IntArray, m: int, n_sites: int) -> RatePool:
    """What is known of a material before, or without, a pooled rate."""
    used, fits = stage1.used, stage1.fits
    counts = say.counts_of(
        used, m, n_sites, int((used.unit_material == m).sum()), int(bags[m].sum())
    )
    fitted = counts.n_piles > 0
    return RatePool(
        material=used.looks.material_labels[m],
        model=MODEL,
        method=METHOD,
        counts=counts,
        lag=float(fits.lag[m]),
        lag_low=float(fits.lag_low[m]),
        lag_high=float(fits.lag_high[m]),
        lag_identified=bool(fits.lag_identified[m]),
        residual_a=float(fits.a[m]) if fitted else None,
        residual_b=float(fits.b[m]) if fitted else None,
        last_day=float(used.last_day[m]),
        warnings=(*say.about_looks(used, m, counts), *say.about_controls(used, m)),
        n_evaluations=fits.n_evaluations,
    )


def _filled(
    pool: RatePool, stage1: _Stage1, second: SecondStage, mine: IntArray, m: int, n_sites: int
) -> RatePool:
    fits, units = stage1.fits, stage1.units
    reach = max(fits.lag_high[m] - fits.lag[m], fits.lag[m] - fits.lag_low[m])
    handling = stage1.used.handling[m]
    by_scale = float(second.unit_weight @ units.by_scale[mine])
    relative = handling.standard_error / handling.remaining if handling and handling.corrects else 0
    low, high = second.tau2_site_interval
    sites = pool.sites
    return replace(
        pool,
        counts=replace(pool.counts, n_sites=n_sites),
        mu=second.mu,
        se=float(np.hypot(second.standard_error, by_scale * relative)),
        tau2_site=second.tau2_site,
        tau2_pile=second.tau2_pile,
        i2_pct=second.i2_pct,
        q=second.q,
        q_df=second.q_df,
        q_p=second.q_p,
        tau2_site_low=low,
        tau2_site_high=high,
        lag_sd=float(reach) / _Z95 if fits.lag_identified[m] else 0.0,
        mu_by_lag=float(second.unit_weight @ units.by_lag[mine]),
        left_out=_left_out(stage1, second),
        sites=sites,
        at_boundary=second.at_boundary,
        n_evaluations=pool.n_evaluations + second.n_evaluations,
        warnings=(
            *pool.warnings,
            *say.about_lag(bool(fits.lag_identified[m]), bool(fits.variance_borrowed[m])),
        ),
    )


def _sites(
    stage1: _Stage1,
    second: SecondStage | None,
    bags: IntArray,
    mine: IntArray,
    without: IntArray,
    m: int,
) -> tuple[SiteRate, ...]:
    used, units, rateless = stage1.used, stage1.units, stage1.rateless
    rows = {}
    for i, s in enumerate(np.unique(units.site[mine])):
        at = mine[units.site[mine] == s]
        w = 1.0 / units.variance[at]
        effects = second.sites if second else None
        rows[int(s)] = SiteRate(
            site=used.looks.site_labels[s],
            mu=float(effects.effect[i]) if effects else float(w @ units.theta[at] / w.sum()),
            se=float(np.sqrt(effects.variance[i] if effects else 1.0 / w.sum())),
            shrunken_mu=float(effects.shrunken[i]) if effects else None,
            weight_pct=float(effects.weight_pct[i]) if effects else None,
            n_piles=int(units.n_piles[at].sum()),
            n_bags=int(bags[m, s]),
            note=say.site_note(used, m, int(s)),
        )
    for i in without:
        s = int(rateless.site[i])
        rows[s] = SiteRate(
            site=used.looks.site_labels[s],
            mu=None,
            se=None,
            shrunken_mu=None,
            weight_pct=None,
            n_piles=int(rateless.n_piles[i]),
            n_bags=int(bags[m, s]),
            rate_low=number(rateless.low[i]),
            rate_high=number(rateless.high[i]),
            note=say.site_note(used, m, s) or _why(int(rateless.status[i])),
        )
    return tuple(rows[s] for s in sorted(rows))


def _why(status: int) -> str:
    return {
        RateStatus.ONE_LOOK: "looked at on one day only",
        RateStatus.NO_LOSS: "no measurable loss",
        RateStatus.ALL_GONE: "gone before the first look",
    }[RateStatus(status)]


def _left_out(stage1: _Stage1, second: SecondStage) -> tuple[WithoutSite, ...]:
    if second.q_df < MIN_SITES_TO_POOL:
        return ()
    labels = stage1.used.looks.site_labels
    columns = (second.left_out_mu, second.left_out_se, second.left_out_tau2_site)
    return tuple(
        WithoutSite(labels[s], float(mu), float(se), float(tau2), second.q_df)
        for s, mu, se, tau2 in zip(second.sites.site, *columns, strict=True)
    )


def _rateless_warnings(
    stage1: _Stage1, without: IntArray, n_with: int, n_seen: int, pooled: bool
) -> list[Warning_]:
    status = stage1.rateless.status[without]
    if n_with == 0:
        return []
    names = [stage1.used.looks.site_labels[s] for s in stage1.rateless.site[without]]
    gone = [bool(s == RateStatus.ALL_GONE) for s in status]
    return say.about_rateless(names, gone, n_seen, pooled)


def _bags_per_site(used: UsedLooks) -> IntArray:
    """Distinct bags in the fit, (n_materials, n_sites)."""
    looks = used.looks
    shape = (used.n_materials, len(looks.site_labels))
    keys = np.column_stack([looks.material, looks.site, looks.bag])[used.in_fit]
    order = np.lexsort(keys.T[::-1])
    keys = keys[order]
    first = np.ones(len(keys), dtype=bool)
    first[1:] = (keys[1:] != keys[:-1]).any(axis=1)
    place = keys[first, 0] * shape[1] + keys[first, 1]
    return np.bincount(place, minlength=shape[0] * shape[1]).reshape(shape)


def _with_bounds(stage1: _Stage1, pools: list[RatePool]) -> list[RatePool]:
    """Bounds, and a named outcome, for materials without a rate."""
    lacking = np.array([p.mu is None and p.counts.n_piles > 0 and p.converged for p in pools])
    if not lacking.any():
        return pools
    used, fits = stage1.used, stage1.fits
    number_of = np.where(lacking, np.cumsum(lacking) - 1, -1)
    of_unit = number_of[used.unit_material]
    chosen = np.flatnonzero(lacking)
    cells = regroup(used.cells, of_unit, len(chosen))
    low, high, status = material_bounds(
        cells, np.arange(len(chosen)), fits.a[chosen], fits.b[chosen]
    )
    out = list(pools)
    for i, m in enumerate(chosen):
        if any(s.mu is not None for s in pools[m].sites):
            out[m] = _widest(pools[m])
            continue
        outcome = {
            int(RateStatus.NO_LOSS): say.NO_LOSS,
            int(RateStatus.ALL_GONE): say.GONE_FIRST,
        }.get(int(status[i]), say.NO_RATE)
        out[m] = replace(
            pools[m],
            rate_low=number(low[i]),
            rate_high=number(high[i]),
            lag=0.0,
            lag_low=0.0,
            lag_high=0.0,
            lag_identified=False,
        ).with_warnings(outcome)
    return out


def _widest(pool: RatePool) -> RatePool:
    """Where only a minority of sites has a rate: the bound that holds at every site, if any."""
    lows: list[float | None] = []
    highs: list[float | None] = []
    for s in pool.sites:
        if s.mu is None or s.se is None:
            lows.append(s.rate_low)
            highs.append(s.rate_high)
        else:
            lows.append(float(np.exp(s.mu - _Z95 * s.se)))
            highs.append(float(np.exp(s.mu + _Z95 * s.se)))
    several = len(pool.sites) > 1
    known_low = [x for x in lows if x is not None]
    known_high = [x for x in highs if x is not None]
    return replace(
        pool,
        rate_low=min(known_low) if several and len(known_low) == len(lows) else None,
        rate_high=max(known_high) if several and len(known_high) == len(highs) else None,
    )
