"""Log-likelihood of visual classes and its exact derivatives.

Model and symbols
-----------------
    P(class ≤ j) = F(θ_j − x'β − e),   θ_1 < … < θ_{K−1}            F logistic or normal
    z⁺ = θ_j − x'β − e,  z⁻ = θ_{j−1} − x'β − e,   p = F(z⁺) − F(z⁻),   ℓ = n·log p

(McCullagh 1980, J. R. Stat. Soc. B 42, 109-142.) Derivatives in e, written ′:

    p′ = −(f⁺ − f⁻),  p″ = ḟ⁺ − ḟ⁻,  p‴ = −(f̈⁺ − f̈⁻)
    ℓ′ = p′/p,  ℓ″ = p″/p − ℓ′²,  ℓ‴ = p‴/p − 3ℓ′p″/p + 2ℓ′³

β enters as e does: ∂/∂β = x ∂/∂e. A threshold above contributes f⁺/p, one below −f⁻/p.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, ndtr

from registry.science.one_stage.nest import sum_by
from registry.science.types import FloatArray, IntArray

SQRT_2PI = float(np.sqrt(2.0 * np.pi))
# Probabilities below this are rounding of nothing; it keeps a logarithm finite on a wild step.
LEAST_PROBABILITY = 1e-300


@dataclass(frozen=True)
class ScoreCells:
    """Counts of (leaf, covariate pattern, class); classes 0 … K − 1, all of them observed.

    Attributes
    ----------
    leaf, pattern, score : (n_cells,) codes.
    count : (n_cells,) bags.
    design : (n_patterns, q) covariates of each pattern; no intercept, the thresholds hold it.
    """

    leaf: IntArray
    pattern: IntArray
    score: IntArray
    count: FloatArray
    design: FloatArray
    n_leaves: int
    n_classes: int


@dataclass(frozen=True)
class ScoreDerivatives:
    """Per cell, times its count.

    Attributes
    ----------
    value, first, second, third : ℓ and its derivatives in e.
    above, below : (3, n_cells) derivative by the threshold above (below) the class, and its first
        and second derivative in e; zero where there is none.
    curvature : (3, n_cells) ∂²ℓ by above-above, above-below, below-below.
    """

    value: FloatArray
    first: FloatArray
    second: FloatArray
    third: FloatArray
    above: FloatArray
    below: FloatArray
    curvature: FloatArray


class ScoreLikelihood:
    """ℓ of fixed cells for one link, "logit" or "probit"."""

    def __init__(self, cells: ScoreCells, link: str) -> None:
        self.cells = cells
        self.link = logistic if link == "logit" else normal

    def by_leaf(self, thresholds: FloatArray, beta: FloatArray, effect: FloatArray) -> FloatArray:
        """(n_leaves,) log-likelihood at the leaves' effects."""
        p = self._probability(thresholds, beta, effect)[0]
        return self.sum_by_leaf(self.cells.count * np.log(p))

    def to_second(
        self, thresholds: FloatArray, beta: FloatArray, effect: FloatArray
    ) -> tuple[float, FloatArray, FloatArray]:
        """ℓ in total, and ℓ′ and ℓ″ by leaf."""
        p, above, below = self._probability(thresholds, beta, effect)
        first = (below[0] - above[0]) / p
        second = (above[1] - below[1]) / p - first**2
        n = self.cells.count
        total = float(n @ np.log(p))
        return total, self.sum_by_leaf(n * first), self.sum_by_leaf(n * second)

    def derivatives(
        self, thresholds: FloatArray, beta: FloatArray, effect: FloatArray
    ) -> ScoreDerivatives:
        """Everything the gradient and the Hessian of the criterion need."""
        p, above, below = self._probability(thresholds, beta, effect)
        n = self.cells.count
        p1, p2, p3 = (above - below) / p * np.array([[-1.0], [1.0], [-1.0]])
        first, second = p1, p2 - p1**2
        third = p3 - 3.0 * p1 * p2 + 2.0 * p1**3
        up = _by_threshold(above / p, 1.0, first, second)
        down = _by_threshold(below / p, -1.0, first, second)
        curvature = [above[1] / p - up[0] ** 2, -up[0] * down[0], -below[1] / p - down[0] ** 2]
        return ScoreDerivatives(
            n * np.log(p), n * first, n * second, n * third,
            n * np.array(up), n * np.array(down), n * np.array(curvature),
        )  # fmt: skip

    def sum_by_leaf(self, per_cell: FloatArray) -> FloatArray:
        """(n_leaves,) sums."""
        return sum_by(self.cells.leaf, per_cell, self.cells.n_leaves)

    def _probability(
        self, thresholds: FloatArray, beta: FloatArray, effect: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """p, and (3, n_cells) f, ḟ, f̈ at the thresholds above and below."""
        cells = self.cells
        predictor = (cells.design @ beta)[cells.pattern] + effect[cells.leaf]
        edges = np.concatenate([[-np.inf], thresholds, [np.inf]])
        high, low = edges[cells.score + 1] - predictor, edges[cells.score] - predictor
        above, below = self.link(high), self.link(low)
        # In the upper half 1 − F is the exact one of the two tails.
        p = np.where(low > 0.0, below.upper - above.upper, above.lower - below.lower)
        return np.maximum(p, LEAST_PROBABILITY), above.slopes, below.slopes


def _by_threshold(
    ratio: FloatArray, sign: float, first: FloatArray, second: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """∂ℓ/∂θ = ±f/p, with its two derivatives in e; `ratio` has f, ḟ, f̈ over p as rows."""
    h, h1, h2 = sign * ratio[0], -sign * ratio[1], sign * ratio[2]
    by = h
    by_e = h1 - by * first
    return by, by_e, h2 - h1 * first - by_e * first - by * second


@dataclass(frozen=True)
class Tails:
    """F, 1 − F, and f, ḟ, f̈ as rows of `slopes`."""

    lower: FloatArray
    upper: FloatArray
    slopes: FloatArray


def logistic(z: FloatArray) -> Tails:
    """The logistic distribution."""
    lower, upper = expit(z), expit(-z)
    f = lower * upper
    slope = upper - lower
    return Tails(lower, upper, np.array([f, f * slope, f * (slope**2 - 2.0 * f)]))


def normal(z: FloatArray) -> Tails:
    """The normal distribution."""
    finite = np.where(np.isfinite(z), z, 40.0)
    f = np.exp(-0.5 * finite**2) / SQRT_2PI
    return Tails(ndtr(z), ndtr(-z), np.array([f, -finite * f, (finite**2 - 1.0) * f]))
