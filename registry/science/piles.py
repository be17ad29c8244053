"""Which units enter stage 2: piles that carry a rate, and the others through their site.

A pile looked at once, with no measurable loss, or gone before its first look has no rate of its
own. Dropping it would bias the pool, making up a rate would fake evidence. Instead, at each site

1. its rate-less piles are fitted together as one unit; if that carries a rate it enters as a unit;
2. otherwise all piles of the site are fitted together as one unit;
3. if that carries no rate either, the site has none: it is counted, with a bound.

A joined unit of piles with shares π_j of its bags averages their deviations, so its pile
variance is c·τ_p² with c = Σ π_j².

A bound is the rate at which the log-likelihood has dropped by 1.353, half the 90 % point of
chi-squared with one degree of freedom: a one-sided 95 % bound.
"""

from dataclasses import dataclass

import numpy as np

from registry.science.cells import Cells, regroup, sum_by
from registry.science.decay import DecayFits, RateStatus, fit_units
from registry.science.likelihood import theta_score
from registry.science.rates import first_guess, rate_bounds, settle_rates
from registry.science.types import BoolArray, FloatArray, IntArray
from registry.science.used_looks import UsedLooks

_HALF_CHI2_90 = 1.3527717270
_BISECTIONS = 60


@dataclass(frozen=True)
class Units:
    """Stage-2 units, ordered by material, site and first pile.

    Attributes
    ----------
    material, site, n_piles, n_bags : (n,). joined : (n,) more than one pile in the unit.
    theta, variance, multiplier, by_lag, by_scale : (n,) see `DecayFits`; c of the module's head.
    """

    material: IntArray
    site: IntArray
    n_piles: IntArray
    n_bags: FloatArray
    joined: BoolArray
    theta: FloatArray
    variance: FloatArray
    multiplier: FloatArray
    by_lag: FloatArray
    by_scale: FloatArray


@dataclass(frozen=True)
class RatelessSites:
    """Sites without a rate: (n,) each, with the `RateStatus` of all their piles taken together.

    `low`, `high` bound the rate per day, nan where that side is open.
    """

    material: IntArray
    site: IntArray
    n_piles: IntArray
    n_bags: FloatArray
    status: IntArray
    low: FloatArray
    high: FloatArray


def enter_through_site(
    cells: Cells,
    fits: DecayFits,
    unit_material: IntArray,
    unit_site: IntArray,
    unit_bags: FloatArray,
) -> tuple[Units, RatelessSites]:
    """Turn the piles of every material into stage-2 units.

    Parameters
    ----------
    unit_material, unit_site, unit_bags : (n_units,) of each pile × material in `cells`.
    """
    place, place_of = np.unique(
        np.column_stack([unit_material, unit_site]), axis=0, return_inverse=True
    )
    place_of = place_of.reshape(-1)
    seen = fits.status != RateStatus.NOT_LOOKED_AT
    own = fits.status == RateStatus.OWN_RATE
    lacking = sum_by(place_of, (seen & ~own).astype(float), len(place)) > 0
    rest = _Joined.of(cells, fits, place, np.where(seen & ~own, place_of, -1), unit_bags)
    needs_all = lacking & (rest.status != RateStatus.OWN_RATE)
    chosen = seen & needs_all[place_of]
    whole = _Joined.of(cells, fits, place, np.where(chosen, place_of, -1), unit_bags)

    alone = own & ~needs_all[place_of]
    as_rest = lacking & ~needs_all
    as_whole = needs_all & (whole.status == RateStatus.OWN_RATE)
    units = _stack(
        _Joined.single(fits, unit_material, unit_site, unit_bags, alone),
        rest.pick(as_rest),
        whole.pick(as_whole),
    )
    without = needs_all & ~as_whole
    low, high = _place_bounds(whole, fits, without)
    return units, RatelessSites(
        material=place[without, 0],
        site=place[without, 1],
        n_piles=whole.n_piles[without],
        n_bags=whole.n_bags[without],
        status=whole.status[without],
        low=low,
        high=high,
    )


def units_of(used: UsedLooks, fits: DecayFits) -> tuple[Units, RatelessSites]:
    """`enter_through_site` for the looks of a trial."""
    return enter_through_site(used.cells, fits, used.unit_material, used.unit_site, used.unit_looks)


def material_bounds(
    cells: Cells, unit_material: IntArray, a: FloatArray, b: FloatArray
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Bounds from all bags of each material together, without a lag, as if its piles were alike.

    Returns
    -------
    low, high : (n_materials,) rate per day, nan where open. status : (n_materials,).
    """
    joined = regroup(cells, unit_material, len(a))
    zero = np.zeros(len(a))
    low, high, theta = rate_bound(joined, zero, a, b)
    lost = np.exp(theta) * _last_day(joined)
    measurable = np.isfinite(low) & np.isfinite(high)
    status = np.where(lost < 1.0, int(RateStatus.NO_LOSS), int(RateStatus.ALL_GONE))
    return low, high, np.where(measurable, int(RateStatus.OWN_RATE), status)


def rate_bound(
    cells: Cells, lag: FloatArray, a: FloatArray, b: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """One-sided 95 % likelihood bounds of every unit's rate, and its θ.

    Returns
    -------
    low, high : (n_units,) rate per day; nan where the likelihood stays high out to that end.
    """
    theta = settle_rates(cells, first_guess(cells), lag, a, b)
    ends = rate_bounds(cells)
    at = [theta_score(cells, x, lag, a, b).loglik() for x in (theta, *ends)]
    top = np.maximum.reduce(at) - _HALF_CHI2_90
    bounds = []
    for end, value in zip(ends, at[1:], strict=True):
        inside, outside = theta, end
        for _ in range(_BISECTIONS):
            middle = 0.5 * (inside + outside)
            good = theta_score(cells, middle, lag, a, b).loglik() >= top
            inside, outside = np.where(good, middle, inside), np.where(good, outside, middle)
        bounds.append(np.where(value >= top, np.nan, np.exp(inside)))
    return bounds[0], bounds[1], theta


def _last_day(cells: Cells) -> FloatArray:
    last = np.zeros(cells.n_units)
    np.maximum.at(last, cells.unit, cells.day)
    np.maximum.at(last, cells.c_unit, cells.c_day)
    return last


def _place_bounds(
    whole: "_Joined", fits: DecayFits, without: BoolArray
) -> tuple[FloatArray, FloatArray]:
    if not without.any():
        return np.zeros(0), np.zeros(0)
    number = np.where(without, np.cumsum(without) - 1, -1)
    cells = regroup(whole.cells, number, int(without.sum()))
    material = whole.material[without]
    # Where nothing was lost any lag fits; the bound is quoted without one.
    no_loss = whole.status[without] == RateStatus.NO_LOSS
    lag = np.where(no_loss, 0.0, fits.lag[material])
    low, high, _ = rate_bound(cells, lag, fits.a[material], fits.b[material])
    return low, high


@dataclass(frozen=True)
class _Joined:
    """Units in the making; the fields of `Units` plus what is needed to choose among them."""

    cells: Cells
    status: IntArray
    material: IntArray
    site: IntArray
    n_piles: IntArray
    n_bags: FloatArray
    theta: FloatArray
    variance: FloatArray
    multiplier: FloatArray
    by_lag: FloatArray
    by_scale: FloatArray

    @classmethod
    def of(
        cls,
        cells: Cells,
        fits: DecayFits,
        place: IntArray,
        new_unit: IntArray,
        unit_bags: FloatArray,
    ) -> "_Joined":
        """Join the piles with the same `new_unit` (a row of `place`; -1 leaves one out)."""
        n = len(place)
        joined = regroup(cells, new_unit, n)
        theta, variance, status, by_lag, by_scale = fit_units(joined, place[:, 0], fits)
        inside = new_unit >= 0
        where, bags = new_unit[inside], unit_bags[inside]
        n_bags = sum_by(where, bags, n)
        squares = sum_by(where, bags * bags, n)
        ratio = np.divide(squares, n_bags**2, out=np.ones(n), where=n_bags > 0)
        return cls(
            joined,
            status,
            place[:, 0],
            place[:, 1],
            np.bincount(where, minlength=n),
            n_bags,
            theta,
            variance,
            ratio,
            by_lag,
            by_scale,
        )

    @classmethod
    def single(
        cls,
        fits: DecayFits,
        material: IntArray,
        site: IntArray,
        bags: FloatArray,
        keep: BoolArray,
    ) -> Units:
        ones = np.ones(int(keep.sum()))
        return Units(
            material[keep],
            site[keep],
            ones.astype(np.int64),
            bags[keep],
            np.zeros(len(ones), dtype=bool),
            fits.theta[keep],
            fits.variance[keep],
            ones,
            fits.by_lag[keep],
            fits.by_scale[keep],
        )

    def pick(self, keep: BoolArray) -> Units:
        return Units(
            self.material[keep],
            self.site[keep],
            self.n_piles[keep],
            self.n_bags[keep],
            self.n_piles[keep] > 1,
            self.theta[keep],
            self.variance[keep],
            self.multiplier[keep],
            self.by_lag[keep],
            self.by_scale[keep],
        )


def _stack(*parts: Units) -> Units:
    names = Units.__dataclass_fields__
    columns = {name: np.concatenate([getattr(p, name) for p in parts]) for name in names}
    order = np.lexsort((columns["theta"], columns["site"], columns["material"]))
    return Units(**{name: column[order] for name, column in columns.items()})
