"""Where the criterion of `nested_reml.py` is looked at before the climb: its peaks on a grid."""

from dataclasses import dataclass

import numpy as np

from registry.science.nested_sums import Kept, NestedEffects, plain_sums
from registry.science.types import BoolArray, FloatArray

# A peak on the grid may stand so far, in log-likelihood, below the top it belongs to.
_PEAKS_APART = 5.0
# Shares of the spread of the effects at which the criterion is looked at before the climb.
_GRID_LEVELS = (0.0, 0.01, 0.03, 0.1, 0.2, 0.4, 0.8, 1.6)


@dataclass(frozen=True)
class Peaks:
    """The two highest local maxima of every fit on the grid: (n_fits, 2), and their heights;
    `second` is nan, its height -inf, where there is but one."""

    best: FloatArray
    second: FloatArray
    heights: FloatArray

    def contested(self) -> BoolArray:
        """Fits (n_fits,) where either peak might belong to the top."""
        return np.asarray(self.heights[:, 1] > self.heights[:, 0] - _PEAKS_APART)


def find_peaks(
    effects: NestedEffects, kept: Kept, restricted: bool, free: tuple[bool, bool]
) -> Peaks:
    """With few sites the criterion can have two optima, one with the spread between sites and one
    with it between piles, or one at zero and one away from it."""
    levels = [effects.scale * np.array(_GRID_LEVELS if f else (0.0,)) for f in free]
    ts, tp = levels
    log_d, triple = plain_sums(effects, tp)
    s0, s1, s2 = (x[None, :, :] for x in triple)
    shrink = 1.0 / (1.0 + ts[:, None, None] * s0)
    kappa = ts[:, None, None] * shrink
    width, n = effects.n_sites, len(kept.sites)

    def over_kept(x: FloatArray) -> FloatArray:
        return kept.totals(x.reshape(-1, width)).reshape(len(ts), len(tp), n)

    q, linear = over_kept(s0 * shrink), over_kept(s1 * shrink)
    height = over_kept(log_d[None] - np.log(shrink) + s2 - kappa * s1 * s1)
    height = -0.5 * (height - linear**2 / q + (np.log(q) if restricted else 0.0))
    padded = np.pad(height, ((1, 1), (1, 1), (0, 0)), constant_values=-np.inf)
    around = (padded[:-2, 1:-1], padded[2:, 1:-1], padded[1:-1, :-2], padded[1:-1, 2:])
    peak = np.where(height >= np.maximum.reduce(around), height, -np.inf).reshape(-1, n)
    points = np.array([(a, b) for a in ts for b in tp])
    order = np.argsort(-peak, axis=0, kind="stable")[:2]
    heights = np.take_along_axis(peak, order, axis=0).T
    if len(points) == 1:
        order, heights = np.repeat(order, 2, axis=0), np.column_stack([heights, -np.inf + heights])
    return Peaks(points[order[0]], points[order[1]], heights)
