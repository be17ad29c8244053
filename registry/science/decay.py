"""Stage 1: the decay rate of every pile × material, all at once.

Model, for bag i of unit u (a pile × material), day t:

    y = f + ε,   f = exp(-k_u · max(0, t - L)),   Var ε = a + b·f²,   θ_u = log k_u

    L     lag, days, shared by the piles of a material; bounded; 0 where it is not identified
    a, b  residual variance, pooled over the piles of a material (thin materials share one)
    y ≤ LOD  contributes Φ((LOD - f)/√V); a lost or damaged bag contributes nothing

A unit whose loss cannot be told from none, that was gone before its first look, or that was looked
at on one day only, has no rate of its own (`RateStatus`). It keeps its likelihood, so it still
speaks about the lag and the variance, and `piles.py` lets it enter through its site.
"""

from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np

from registry.science.cells import Cells, regroup, sum_by
from registry.science.lag import LagProblem, lag_interval, narrow_lag, search_lag, step_lag
from registry.science.likelihood import evaluate
from registry.science.rates import first_guess, look_span, settle_rates, solve_rates
from registry.science.residual_variance import (
    VarianceGroups,
    first_variance,
    step_variance,
    variance_groups,
)
from registry.science.types import BoolArray, FloatArray, IntArray

# One-sided 95 %: a rate within 1.645 standard errors of zero is not a measured loss.
LEAST_RATE_OVER_SE = 1.6448536269514722
# With four fifths gone before the first look, the start of the loss lies outside what was seen.
LATE_FIRST_LOOK = 0.2
# One scheduled day is lifted within two days either side; less apart is one look, not two.
LONGEST_ONE_LOOK_DAYS = 4.0
# The beginning of a loss is no such thing where most piles show none.
LEAST_SHARE_FOR_LAG = 0.5
_JOINT_STEPS = 60
# A log rate known to ±1e6 is not known.
_NO_INFORMATION = 1e-12
# Steps shorter than this, in standard errors, change no digit anybody reads.
_TOLERANCE = 1e-7
_PER_UNIT = ("theta", "variance", "status", "by_lag", "by_scale")


class RateStatus(IntEnum):
    """Whether a unit carries its own rate, and if not, why."""

    OWN_RATE = 0
    ONE_LOOK = 1
    NO_LOSS = 2
    ALL_GONE = 3
    NOT_LOOKED_AT = 4


@dataclass(frozen=True)
class DecayFits:
    """Rates of all units and what the units of a material share.

    Attributes
    ----------
    theta, variance : (n_units,) log rate (per day) and its sampling variance at the shared L, a, b.
    status : (n_units,) `RateStatus` codes; theta is only a number to quote where OWN_RATE.
    by_lag, by_scale : (n_units,) dθ/dL and dθ/d log(common factor on the remaining mass).
    lag, lag_low, lag_high, a, b : (n_materials,).
    lag_identified, variance_borrowed, converged : (n_materials,).
    """

    theta: FloatArray
    variance: FloatArray
    status: IntArray
    by_lag: FloatArray
    by_scale: FloatArray
    lag: FloatArray
    lag_low: FloatArray
    lag_high: FloatArray
    lag_identified: BoolArray
    a: FloatArray
    b: FloatArray
    variance_borrowed: BoolArray
    converged: BoolArray
    n_evaluations: int


_COLUMNS = tuple(name for name in DecayFits.__dataclass_fields__ if name != "n_evaluations")


def fit_decay(cells: Cells, unit_material: IntArray, n_materials: int) -> DecayFits:
    """Fit every unit.

    Parameters
    ----------
    cells : collapsed bags, see `cells.collapse`.
    unit_material : (n_units,) material code of each unit.
    """
    together = _separate(cells, unit_material, n_materials)
    if not together:
        return _fit(cells, _lag_problem(cells, unit_material, n_materials))
    parts = [_fit_together(cells, unit_material, some) for some in together]
    units = np.concatenate([np.flatnonzero(np.isin(unit_material, some)) for some in together])
    materials = np.concatenate(together)
    columns = {}
    for name in _COLUMNS:
        stacked = np.concatenate([getattr(part, name) for part in parts])
        columns[name] = stacked[np.argsort(units if name in _PER_UNIT else materials)]
    return DecayFits(**columns, n_evaluations=max(part.n_evaluations for part in parts))


def _separate(cells: Cells, unit_material: IntArray, n_materials: int) -> list[list[int]]:
    """Which materials are fitted together: each alone, and all thin ones that share a variance.

    Fitted alone, no other material can move a number, and the cells stay in the processor's cache.
    """
    thin = variance_groups(cells, unit_material, n_materials).borrowed
    alone = [[m] for m in np.flatnonzero(~thin).tolist()]
    return alone + ([np.flatnonzero(thin).tolist()] if thin.any() else [])


def _fit_together(cells: Cells, unit_material: IntArray, materials: list[int]) -> DecayFits:
    """Fit some materials; the result is about them alone, in their order."""
    n_materials = len(materials)
    chosen = np.isin(unit_material, materials)
    number = np.where(chosen, np.cumsum(chosen) - 1, -1)
    cells = regroup(cells, number, int(chosen.sum()))
    unit_material = np.searchsorted(materials, unit_material[chosen])
    problem = _lag_problem(cells, unit_material, n_materials)
    fit = _fit(cells, problem)
    # An interval that reaches from day 0 past the first look says nothing about the lag; nor does a
    # material of which most piles show no rate.
    first = np.array([days[0] if len(days) else np.inf for days in problem.look_days])
    own = sum_by(unit_material, (fit.status == RateStatus.OWN_RATE).astype(float), n_materials)
    reaches = (fit.lag_low <= 0) & (fit.lag_high >= first) & (fit.lag_high > 0)
    units = np.bincount(unit_material, minlength=n_materials)
    again = problem.free & (reaches | (own < LEAST_SHARE_FOR_LAG * units))
    return _without_lag(fit, cells, problem, again) if again.any() else fit


def fit_units(
    cells: Cells, unit_material: IntArray, shared: DecayFits
) -> tuple[FloatArray, FloatArray, IntArray, FloatArray, FloatArray]:
    """Fit other groupings of the same bags at the shared lag and variance.

    Returns
    -------
    theta, variance, status, by_lag, by_scale : (n_units,) as in `DecayFits`.
    """
    lag, a, b = (x[unit_material] for x in (shared.lag, shared.a, shared.b))
    theta = settle_rates(cells, first_guess(cells), lag, a, b)
    return _describe(cells, theta, lag, a, b)


def _without_lag(fit: DecayFits, cells: Cells, problem: LagProblem, again: BoolArray) -> DecayFits:
    """The same fits, with some materials fitted again at lag 0."""
    chosen = again[problem.unit_material]
    number = np.where(chosen, np.cumsum(chosen) - 1, -1)
    material = (np.cumsum(again) - 1)[problem.unit_material[chosen]]
    n = int(again.sum())
    days = tuple(d for d, a in zip(problem.look_days, again, strict=True) if a)
    fixed = LagProblem(material, np.zeros(n, dtype=bool), problem.highest[again], days)
    part = _fit(regroup(cells, number, int(chosen.sum())), fixed)
    changed = {}
    for name in _COLUMNS:
        whole = getattr(fit, name).copy()
        whole[chosen if name in _PER_UNIT else again] = getattr(part, name)
        changed[name] = whole
    return replace(fit, **changed)


def _fit(cells: Cells, problem: LagProblem) -> DecayFits:
    u, m = problem.unit_material, problem.n_materials
    groups = variance_groups(cells, u, m)
    unit_group = groups.of_material[u]
    a, b = first_variance(cells, unit_group, groups)
    theta = first_guess(cells)
    lag, theta = search_lag(cells, problem, theta, a[unit_group], b[unit_group])
    for _ in range(3):
        a, b, _ = step_variance(cells, theta, lag[u], a, b, unit_group, groups)
    lag, theta = narrow_lag(cells, problem, theta, lag, a[unit_group], b[unit_group])
    lag, a, b, moved, n = _refine(cells, problem, theta, lag, a, b, unit_group, groups)
    a_u, b_u = a[unit_group], b[unit_group]
    theta = settle_rates(cells, theta, lag[u], a_u, b_u)
    low, high = lag_interval(cells, problem, theta, lag, a_u, b_u)
    theta, variance, status, by_lag, by_scale = _describe(cells, theta, lag[u], a_u, b_u)
    return DecayFits(
        theta=theta,
        variance=variance,
        status=status,
        by_lag=by_lag,
        by_scale=by_scale,
        lag=lag,
        lag_low=low,
        lag_high=high,
        lag_identified=problem.free,
        a=a[groups.of_material],
        b=b[groups.of_material],
        variance_borrowed=groups.borrowed,
        converged=moved < 1e-4,
        n_evaluations=n,
    )


def _refine(
    cells: Cells,
    problem: LagProblem,
    theta: FloatArray,
    lag: FloatArray,
    a: FloatArray,
    b: FloatArray,
    unit_group: IntArray,
    groups: VarianceGroups,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, int]:
    """Lag, rates and variance together until nothing moves: (…, moved (n_materials,), steps)."""
    u = problem.unit_material
    moved = np.zeros(problem.n_materials)
    for n in range(1, _JOINT_STEPS + 1):
        lag, theta, by_lag = step_lag(cells, problem, theta, lag, a[unit_group], b[unit_group])
        a, b, by_variance = step_variance(cells, theta, lag[u], a, b, unit_group, groups)
        theta, _, _ = solve_rates(cells, theta, lag[u], a[unit_group], b[unit_group], steps=1)
        moved = np.maximum(by_lag, by_variance[groups.of_material])
        if moved.max(initial=0.0) < _TOLERANCE:
            return lag, a, b, moved, n
    return lag, a, b, moved, _JOINT_STEPS


def _describe(
    cells: Cells, theta: FloatArray, lag: FloatArray, a: FloatArray, b: FloatArray
) -> tuple[FloatArray, FloatArray, IntArray, FloatArray, FloatArray]:
    ev = evaluate(cells, theta, lag, a, b)
    known = ev.d_info > _NO_INFORMATION
    variance = np.divide(1.0, ev.d_info, out=np.full_like(theta, np.inf), where=known)
    inverse = np.where(known, variance, 0.0)
    first, last = look_span(cells)
    looked_at = _looked_at(cells)
    spread_out = last - first > LONGEST_ONE_LOOK_DAYS
    carries = (np.sqrt(variance) * LEAST_RATE_OVER_SE < 1.0) & spread_out & looked_at
    slow = np.exp(theta) * np.maximum(last - lag, 0.0) < 1.0
    status = np.full(cells.n_units, int(RateStatus.ALL_GONE))
    status[slow] = RateStatus.NO_LOSS
    status[~spread_out] = RateStatus.ONE_LOOK
    status[~looked_at] = RateStatus.NOT_LOOKED_AT
    status[carries] = RateStatus.OWN_RATE
    # θ follows a change of L by -I_θL/I_θθ, and a common factor on ȳ by its own score.
    return theta, variance, status, -ev.cross_info * inverse, ev.scale_info * inverse


def _looked_at(cells: Cells) -> BoolArray:
    seen = np.bincount(cells.unit[cells.day > 0], minlength=cells.n_units)
    seen += np.bincount(cells.c_unit[cells.c_day > 0], minlength=cells.n_units)
    return np.asarray(seen > 0)


def _lag_problem(cells: Cells, unit_material: IntArray, n_materials: int) -> LagProblem:
    material = unit_material[cells.unit]
    c_material = unit_material[cells.c_unit]
    free = np.zeros(n_materials, dtype=bool)
    highest = np.zeros(n_materials)
    kinks = []
    for m in range(n_materials):
        mine, c_mine = material == m, c_material == m
        days = np.unique(np.concatenate([cells.day[mine], cells.c_day[c_mine]]))
        days = days[days > 0]
        kinks.append(days)
        if len(days) < 3:
            continue
        at_first = mine & (cells.day == days[0])
        count = cells.count[at_first].sum() + cells.c_count[c_mine & (cells.c_day == days[0])].sum()
        left = (cells.count[at_first] * cells.mean[at_first]).sum() / max(count, 1.0)
        free[m] = left >= LATE_FIRST_LOOK
        highest[m] = days[-2]
    return LagProblem(unit_material, free, highest, tuple(kinks))
