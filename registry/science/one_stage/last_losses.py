"""How much each pile had lost by its last look, and how far bags of one pile differ.

    y_i = μ + σ t_i,  t ~ N(0, 1), kept only below a cut c;  z = (c − μ)/σ,  λ = φ(z)/Φ(z)
    E t = −λ,   E t² = 1 − zλ,   E t³ = −(z² + 2)λ,   E t⁴ = 3 − (z³ + 3z)λ

Where heavy bags are left out, the plain mean of the others makes an untouched material look as if
it had lost something. μ and σ are solved from the mean of what was kept and its variance within
piles, which for alike piles is maximum likelihood (Cohen 1950, Ann. Math. Stat. 21, 557-569), and
every pile's mean is raised by σλ. What such a bag still tells of μ, σ being unknown, is
Var t − Cov(t, t²)²/Var(t²)  times 1/σ².
"""

from dataclasses import dataclass

import numpy as np

from registry.science.one_stage.cells import Looks
from registry.science.one_stage.residuals import normal_log_cumulative
from registry.science.types import FloatArray, IntArray

# Most of a bell above the cut leaves no more than a tail to tell it from.
LEAST_KEPT, MATTERS = 0.02, 0.9
LEAST_Z, LARGEST_Z = -2.0, 30.0
MOST_STEPS, LAST_MOVE = 500, 1e-10


@dataclass(frozen=True)
class LastLosses:
    """Of the piles looked at after burial.

    Attributes
    ----------
    pile : (n,) codes. loss : (n,) mean fraction lost by the last look.
    bags : (n,) bags looked at then, those near a cut counted by the information they leave.
    noise : standard deviation of one bag.
    cut_matters : whether the cut took more than a tenth of that information.
    """

    pile: IntArray
    loss: FloatArray
    bags: FloatArray
    noise: float
    cut_matters: bool = False


def last_losses(looks: Looks, otherwise: float) -> LastLosses:
    """The losses of all piles; `otherwise` is the noise where no pile has two bags."""
    last = np.zeros(looks.n_piles)
    np.maximum.at(last, looks.pile, looks.day)
    rows = (looks.day == last[looks.pile]) & (looks.day > 0)
    piles, code = np.unique(looks.pile[rows], return_inverse=True)
    left, cut = looks.remaining[rows], looks.cut[rows]
    n = np.bincount(code, minlength=len(piles)).astype(float)
    mean = np.bincount(code, left, len(piles)) / np.maximum(n, 1.0)
    freedom = max(n.sum() - len(piles), 0.0)
    within = float(np.sum((left - mean[code]) ** 2))
    noise = float(np.sqrt(within / freedom)) if freedom > 0 else otherwise
    if not np.isfinite(cut).any() or noise <= 0.0:
        return LastLosses(piles, 1.0 - mean, n, noise)
    lighter, kept, sigma = _taken_by_the_cut(float(np.mean(left)), noise, cut)
    return LastLosses(piles, 1.0 - mean - lighter, n * kept, sigma, kept < MATTERS)


def _taken_by_the_cut(mean: float, noise: float, cut: FloatArray) -> tuple[float, float, float]:
    """How much lighter the cut makes a bag look, the share of information it leaves, and σ."""
    lighter, sigma, z = 0.0, noise, np.full(len(cut), LARGEST_Z)
    for _ in range(MOST_STEPS):
        z = np.clip((cut - mean - lighter) / sigma, LEAST_Z, LARGEST_Z)
        _, mills, slope, _ = normal_log_cumulative(z)
        new = sigma * float(np.mean(mills))
        wider = noise / float(np.sqrt(max(float(np.mean(1.0 + slope)), LEAST_KEPT)))
        moved = max(abs(new - lighter), abs(wider - sigma))
        lighter, sigma = new, wider
        if moved < LAST_MOVE:
            break
    return lighter, max(float(np.mean(_information(z))), LEAST_KEPT), sigma


def _information(z: FloatArray) -> FloatArray:
    """On the mean of a bell cut at z, its standard deviation unknown; 1 without a cut."""
    mills = normal_log_cumulative(z)[1]
    first, second = -mills, 1.0 - z * mills
    third, fourth = -(z * z + 2.0) * mills, 3.0 - (z**3 + 3.0 * z) * mills
    cross, square = third - first * second, fourth - second**2
    return np.asarray(second - first**2 - cross**2 / square)
