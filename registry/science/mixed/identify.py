"""What the data cannot separate: fixed columns that repeat others, random terms that do the same.

A fixed column is aliased when the columns before it reproduce it; it is left out and named with the
combination that reproduces it. A random term is aliased when P G_k P is a combination of those of
the residual and the terms before it (Harville 1977, J. Am. Stat. Assoc. 72, 320-338, sec. 5): one
pile per site makes pile and site one thing, one bag per cell makes pile × material and residual
one thing. Their Gram matrix tr(P G_i P G_j) does not need the variances: any γ > 0 answers.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from registry.science.mixed.criterion import Blocks, evaluate
from registry.science.mixed.information import projected_traces
from registry.science.types import FloatArray

# As R's lm and lme4 judge columns: what remains of a column, relative to the column.
COLUMN_TOLERANCE = 1e-7
# Squared sine of the angle between a term and those before it; traces carry about 1e-12.
TERM_TOLERANCE = 1e-9
RESIDUAL = "residual"
FIXED = "fixed effects"


@dataclass(frozen=True)
class Aliased:
    """`name` cannot be separated from `same_as`; for a column with its multiples of those."""

    name: str
    same_as: tuple[str, ...]
    multiples: tuple[float, ...] = ()

    @property
    def sentence(self) -> str:
        if not self.same_as:
            return f"{self.name} has no data of its own and is left out."
        return f"{self.name} cannot be separated from {' and '.join(self.same_as)}."


def independent_columns(
    x: FloatArray, names: Sequence[str]
) -> tuple[list[int], tuple[Aliased, ...]]:
    """Columns of `x` (n, p) kept, first come first kept, and those left out."""
    kept: list[int] = []
    aliased: list[Aliased] = []
    basis = np.empty((x.shape[0], 0))
    for i, column in enumerate(x.T):
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        norm = np.linalg.norm(rest)
        if norm > COLUMN_TOLERANCE * np.linalg.norm(column):
            kept.append(i)
            basis = np.column_stack([basis, rest / norm])
        else:
            aliased.append(_column_alias(x, names, kept, i))
    return kept, tuple(aliased)


def _column_alias(x: FloatArray, names: Sequence[str], kept: list[int], i: int) -> Aliased:
    multiple = np.linalg.lstsq(x[:, kept], x[:, i], rcond=None)[0] if kept else np.empty(0)
    used = [j for j in range(len(kept)) if abs(multiple[j]) > COLUMN_TOLERANCE]
    return Aliased(
        names[i],
        tuple(names[kept[j]] for j in used),
        tuple(float(multiple[j]) for j in used),
    )


def inseparable_terms(blocks: Blocks) -> tuple[Aliased, ...]:
    """Random terms of `blocks` that the residual, the fixed effects or earlier terms absorb."""
    at = evaluate(blocks, np.ones(len(blocks.terms)), "reml")
    moments = at.point.moments()
    gram = projected_traces(moments, at.c)
    names = (RESIDUAL, *blocks.terms)
    kept: list[int] = [0]
    aliased = []
    for i in range(1, len(names)):
        if gram[i, i] <= TERM_TOLERANCE * moments.phi[i, i]:
            aliased.append(Aliased(names[i], (FIXED,)))
            continue
        size = np.sqrt(np.diag(gram)[kept])
        inner = gram[np.ix_(kept, kept)] / np.outer(size, size)
        cosine = gram[kept, i] / size / np.sqrt(gram[i, i])
        multiple = np.linalg.solve(inner, cosine)
        if 1 - cosine @ multiple > TERM_TOLERANCE:
            kept.append(i)
        else:
            aliased.append(Aliased(names[i], _same_as(names, kept, multiple)))
    return tuple(aliased)


def _same_as(names: tuple[str, ...], kept: list[int], multiple: FloatArray) -> tuple[str, ...]:
    return tuple(names[k] for k, c in zip(kept, multiple, strict=True) if abs(c) > 1e-4)
