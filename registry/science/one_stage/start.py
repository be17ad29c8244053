"""First guesses for the one-stage fit: a lag from a coarse grid, then a rate for every pile.

A grid of rates is tried for all piles at once, at each of a few lags, with a loss that stops
growing at OUTLIER so that one bag full of soil does not choose the start.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from registry.science.one_stage.cells import Cells
from registry.science.types import FloatArray, IntArray

N_RATES = 40
N_LAGS = 17
# The lag is common to all piles; a spread of this many is enough to choose its start.
PILES_FOR_LAG = 60
OUTLIER = 0.3
# Between a fifth of a percent lost at the last look and all but e^-8 gone at the first.
LEAST_EXPONENT, LARGEST_EXPONENT = 0.002, 8.0
# Standard deviations to start from: wide enough that the first Newton steps see curvature.
LEAST_TAU, LARGEST_TAU = 0.1, 1.0
LEAST_RESIDUAL_VARIANCE = 1e-4
LITTLE_LEFT = 0.3


@dataclass(frozen=True)
class Start:
    """`log_rate` by pile; tau by level name; variances as squares of the fraction remaining."""

    lag: float
    log_rate: FloatArray
    a: float
    b: float
    tau_pile: float
    tau_site: float


def first_guess(cells: Cells, pile_of_leaf: IntArray, pile_site: IntArray, upper: float) -> Start:
    """Start values; `upper` is the longest lag allowed, days (0 = no lag)."""
    pile = pile_of_leaf[cells.leaf]
    n_piles = len(pile_site)
    rates = _rate_grid(cells)
    lag = _best_lag(cells, pile, n_piles, rates, upper)
    losses, fitted = _losses(cells, pile, n_piles, rates, lag)
    best = np.argmin(losses, axis=1)
    log_rate = rates[best]
    a, b = _variances(cells, fitted[np.arange(len(pile)), best[pile]], n_piles)
    inside = (best > 0) & (best < N_RATES - 1)
    tau_pile, tau_site = _spreads(log_rate, pile_site, inside)
    # A pile without its own rate starts at its neighbours'.
    middle = float(np.median(log_rate[inside])) if inside.any() else float(np.median(log_rate))
    log_rate = np.where(inside, log_rate, np.clip(log_rate, middle - 1.0, middle + 1.0))
    return Start(lag, log_rate, a, b, tau_pile, tau_site)


def _rate_grid(cells: Cells) -> FloatArray:
    days = cells.day[cells.day > 0]
    low, high = np.log(LEAST_EXPONENT / days.max()), np.log(LARGEST_EXPONENT / days.min())
    return np.linspace(low, high, N_RATES)


def _best_lag(cells: Cells, pile: IntArray, n_piles: int, rates: FloatArray, upper: float) -> float:
    if upper <= 0.0:
        return 0.0
    every = max(1, n_piles // PILES_FOR_LAG)
    rows = np.flatnonzero(pile % every == 0)
    totals = []
    lags = np.linspace(0.0, upper, N_LAGS)
    for lag in lags:
        losses, _ = _losses(cells, pile, n_piles, rates, float(lag), rows)
        totals.append(losses.min(axis=1).sum())
    return float(lags[int(np.argmin(totals))])


def _losses(
    cells: Cells,
    pile: IntArray,
    n_piles: int,
    rates: FloatArray,
    lag: float,
    rows: IntArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """(n_piles, N_RATES) bounded squared loss, and (n_rows, N_RATES) fitted values."""
    rows = np.arange(len(pile)) if rows is None else rows
    exponent = np.outer(np.maximum(cells.day[rows] - lag, 0.0), np.exp(rates))
    fitted = np.exp(-np.minimum(exponent, 700.0))
    gap = _bounded(cells, fitted, rows)
    groups = csr_array(
        (cells.count[rows], (pile[rows], np.arange(len(rows)))), shape=(n_piles, len(rows))
    )
    return groups @ gap**2, fitted


def _bounded(cells: Cells, fitted: FloatArray, rows: IntArray | None = None) -> FloatArray:
    """Residual, held at ±OUTLIER; a censored cell only errs by fitting above its limit."""
    rows = np.arange(len(cells.leaf)) if rows is None else rows
    value = cells.value[rows]
    censored = rows >= cells.n_seen
    if fitted.ndim == 2:
        value, censored = value[:, None], censored[:, None]
    gap = np.where(censored, np.minimum(value - fitted, 0.0), value - fitted)
    return np.clip(gap, -OUTLIER, OUTLIER)


def _variances(cells: Cells, fitted: FloatArray, n_piles: int) -> tuple[float, float]:
    """a from the looks with little left, b from the rest."""
    seen = slice(0, cells.n_seen)
    count, f = cells.count[seen], fitted[seen]
    squares = count * _bounded(cells, fitted)[seen] ** 2 + np.minimum(
        cells.within, OUTLIER**2 * count
    )
    share = count.sum() / max(count.sum() - n_piles, 1.0)
    means = []
    for part in (f < LITTLE_LEFT, f >= LITTLE_LEFT):
        n = count[part].sum()
        mean = share * squares[part].sum() / n if n > 0 else LEAST_RESIDUAL_VARIANCE
        means.append(max(float(mean), LEAST_RESIDUAL_VARIANCE))
    a = min(means)
    return a, max(means[1] - a, LEAST_RESIDUAL_VARIANCE)


def _spreads(log_rate: FloatArray, pile_site: IntArray, inside: np.ndarray) -> tuple[float, float]:
    x, site = log_rate[inside], pile_site[inside]
    counts = np.bincount(site)
    means = np.bincount(site, x) / np.maximum(counts, 1)
    within, freedom = np.sum((x - means[site]) ** 2), np.sum(np.maximum(counts - 1, 0))
    pile = np.sqrt(within / freedom) if freedom > 0 else LEAST_TAU
    between = np.std(means[counts > 0], ddof=1) if np.sum(counts > 0) > 1 else LEAST_TAU
    clipped = np.clip([pile, between], LEAST_TAU, LARGEST_TAU)
    return float(clipped[0]), float(clipped[1])
