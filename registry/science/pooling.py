"""The pooling of one trial: looks in, pooled estimates out, for every material.

The steps, each in its own module:

    used looks        `used_looks.py`   which looks count, and why the others do not
    pile fits         `decay.py`        log rate of every pile × material, shared lag and variance
    joining           `piles.py`        piles that carry no rate enter through their site
    sites             `two_stage.py`    REML, site random, pile nested in site; leave-one-site-out
    answers           `outcomes.py`     rate, days to 90 %, loss at the primary day
    primary day       `fixed_day_losses.py`  all materials in one linear mixed model
                      `fixed_day_scores.py`  visual scores of each material

`METHODS` is the list of ways to pool; each returns one `RatePool` per material, and all of them are
told by the same `outcomes.py`. Everything is deterministic and independent of the order of rows.
"""

import itertools
from collections.abc import Callable, Sequence

import numpy as np

from registry.science.fixed_day_losses import compare_on_day
from registry.science.fixed_day_scores import score_on_day
from registry.science.formulation import Contrasted
from registry.science.looks import check_looks, in_fixed_order
from registry.science.one_stage_rates import pool_in_one_stage
from registry.science.outcomes import outcome_records
from registry.science.rate_pool import RatePool
from registry.science.two_stage_rates import pool_in_two_stages
from registry.science.types import BagLooks, PooledEstimate, Warning_
from registry.science.used_looks import UsedLooks, use_looks

# Part of every run's digest: change it whenever a number could change.
MODEL_VERSION = "2026.7"

# A heat class needs as many sites as a prediction does.
MIN_SITES_PER_HEAT_CLASS = 3
# Two methods on the same looks should agree far better than the looks tell the rate.
METHODS_DIFFER_AT = 0.5
HEAT_CLASSES = ("hot", "warm", "cool")

OnStep = Callable[[str, int, int], None]
PoolingMethod = Callable[[UsedLooks, OnStep], Sequence[RatePool]]

# The methods whose answers stand side by side, in the order they are reported.
METHODS: tuple[PoolingMethod, ...] = (pool_in_one_stage, pool_in_two_stages)


def pool_trial(
    looks: BagLooks,
    *,
    primary_day: float,
    schedule_days: Sequence[float],
    window_days: float = 2.0,
    reference_material: str | None = None,
    families: Sequence[Contrasted] = (),
    on_step: OnStep | None = None,
) -> tuple[PooledEstimate, ...]:
    """Pool every material of a trial.

    Parameters
    ----------
    looks : one row per look at one bag, any order.
    primary_day : day of `disintegration_at_day`, and the day by which the positive control must
        have gone.
    schedule_days : the protocol's retrieval days; the last one marks the end of the trial.
    window_days : a look within so many days of the primary day counts for it.
    reference_material : label of the material that others are compared with.
    families : materials compared within their own formulation, on the primary day.
    on_step : called as (stage, done, total) while the work goes on.

    Returns
    -------
    Pooled estimates ordered by heat class, method, material and outcome.

    Raises
    ------
    ScienceError when the looks cannot be read.
    """
    check_looks(looks)
    looks = in_fixed_order(looks)
    report = on_step or _silent
    records: list[PooledEstimate] = []
    for heat_class, part in _by_heat(looks):
        used = use_looks(part, primary_day=primary_day, schedule_days=schedule_days)
        primary, *others = [method(used, report) for method in METHODS]
        for pool in (*_compared(primary, others), *itertools.chain(*others)):
            if heat_class != "all" and pool.counts.n_sites < MIN_SITES_PER_HEAT_CLASS:
                continue
            records.extend(
                outcome_records(
                    pool,
                    trial=looks.trial,
                    heat_class=heat_class,
                    primary_day=primary_day,
                    model_version=MODEL_VERSION,
                )
            )
        if heat_class == "all":
            report("primary_day", 0, 1)
            records.extend(
                compare_on_day(
                    used,
                    day=primary_day,
                    window_days=window_days,
                    reference=reference_material,
                    families=families,
                    heat_class=heat_class,
                    model_version=MODEL_VERSION,
                )
            )
            records.extend(
                score_on_day(
                    used,
                    day=primary_day,
                    window_days=window_days,
                    heat_class=heat_class,
                    model_version=MODEL_VERSION,
                )
            )
            report("primary_day", 1, 1)
    return tuple(records)


def _compared(primary: Sequence[RatePool], others: list[Sequence[RatePool]]) -> list[RatePool]:
    """The primary pools, saying where another method's mean log rate is far from theirs."""
    compared = list(primary)
    for m, rivals in enumerate(zip(*others, strict=True)):
        for rival in rivals:
            compared[m] = _compared_with(compared[m], rival)
    return compared


def _compared_with(pool: RatePool, rival: RatePool) -> RatePool:
    if pool.mu is None or pool.se is None or rival.mu is None:
        return pool
    difference = (rival.mu - pool.mu) / pool.se
    if abs(difference) <= METHODS_DIFFER_AT:
        return pool
    return pool.with_warnings(
        Warning_(
            "methods_differ",
            f"The {rival.model.replace('_', '-')} summary puts the mean log rate "
            f"{difference:+.1f} standard errors away; look at the curves before using either.",
        )
    )


def _by_heat(looks: BagLooks) -> list[tuple[str, BagLooks]]:
    """The whole trial, then each heat class seen at enough sites."""
    parts = [("all", looks)]
    if not looks.pile_heat:
        return parts
    heat = np.array(looks.pile_heat)
    for name in HEAT_CLASSES:
        sites = np.unique(looks.pile_site[heat == name])
        if len(sites) >= MIN_SITES_PER_HEAT_CLASS:
            parts.append((name, looks.rows(heat[looks.pile] == name)))
    return parts


def _silent(stage: str, done: int, total: int) -> None:
    """Nobody is watching."""
