"""Fixed-effects designs from factors, in treatment contrasts: the first level is the baseline."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from registry.science.types import FloatArray


@dataclass(frozen=True)
class Columns:
    """Some columns of a design with their names; `values` is (n, c)."""

    names: tuple[str, ...]
    values: FloatArray


def intercept(n: int) -> Columns:
    """A column of ones."""
    return Columns(("(Intercept)",), np.ones((n, 1)))


def covariate(name: str, values: FloatArray) -> Columns:
    """One numeric column."""
    return Columns((name,), np.asarray(values, dtype=float)[:, None])


def factor(name: str, labels: Sequence[str], levels: Sequence[str]) -> Columns:
    """Indicators of all levels but the first; `labels` has one entry per row."""
    words = np.asarray(labels)
    others = tuple(levels[1:])
    values = np.stack([words == level for level in others], axis=1).astype(float)
    return Columns(tuple(f"{name}{level}" for level in others), values)


def interaction(a: Columns, b: Columns) -> Columns:
    """Products of every column of `a` with every column of `b`, `a` running fastest."""
    pairs = [(i, j) for j in range(len(b.names)) for i in range(len(a.names))]
    return Columns(
        tuple(f"{a.names[i]}:{b.names[j]}" for i, j in pairs),
        np.stack([a.values[:, i] * b.values[:, j] for i, j in pairs], axis=1),
    )


def bind(*parts: Columns) -> Columns:
    """The columns of all parts, side by side."""
    names = tuple(name for part in parts for name in part.names)
    return Columns(names, np.concatenate([part.values for part in parts], axis=1))
