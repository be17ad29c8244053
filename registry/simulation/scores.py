"""Visual scores that agree with the mass left, and disagree a little as observers do."""

import numpy as np
from numpy.typing import NDArray

from registry.simulation.truth import FloatArray, IntArray

# Loss of mass at which each class of fragmentation gives way to the next (made up, no source).
FRAGMENTATION_LOSS = np.array([0.04, 0.20, 0.45, 0.75, 0.95])
OTHER_LOSS = np.array([0.10, 0.30, 0.55, 0.80])
NONE_FOUND = 5
OBSERVER_SPREAD = 0.07
# A fifth of the side scores is left blank: "not assessable" is not the same as 0.
BLANK_SHARE = 0.2

Scores = dict[str, FloatArray]


def draw_scores(
    true_fraction: FloatArray, none_found: NDArray[np.bool_], rng: np.random.Generator
) -> Scores:
    """Scores (n,) as whole numbers, NaN when not assessed. `none_found` scores 5 and no more."""
    n = true_fraction.size
    loss = 1.0 - true_fraction
    fragmentation = _class_of(loss, FRAGMENTATION_LOSS, rng)
    scores = {"fragmentation": np.where(none_found, NONE_FOUND, np.minimum(fragmentation, 4))}
    # Growth is strongest while there is still something to eat.
    growth = np.round(np.clip(5 * 4 * loss * true_fraction + 0.5 * rng.standard_normal(n), 0, 5))
    for name, score in (
        ("growth", growth),
        ("brittleness", _class_of(loss, OTHER_LOSS, rng)),
        ("cracking", _class_of(loss, OTHER_LOSS, rng)),
        ("discolouration", _class_of(loss, OTHER_LOSS, rng)),
    ):
        scores[name] = np.where(none_found | (rng.random(n) < BLANK_SHARE), np.nan, score)
    return scores


def seen_from_outside(true_fraction: FloatArray) -> IntArray:
    """Fragmentation (n,) of bags scored in place; nothing is called gone through the mesh."""
    return np.minimum(np.searchsorted(FRAGMENTATION_LOSS, 1.0 - true_fraction), NONE_FOUND - 1)


def _class_of(loss: FloatArray, cuts: FloatArray, rng: np.random.Generator) -> FloatArray:
    seen = loss + OBSERVER_SPREAD * rng.standard_normal(loss.size)
    return np.searchsorted(cuts, seen).astype(float)
