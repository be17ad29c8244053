"""Fit a linear mixed model to rows, whatever its nested terms: the general door."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from registry.science.mixed.criterion import Blocks, Evaluation, Method, Moments, evaluate
from registry.science.mixed.identify import (
    RESIDUAL,
    Aliased,
    independent_columns,
    inseparable_terms,
)
from registry.science.mixed.information import (
    Information,
    information,
    observed_curvature,
)
from registry.science.mixed.nested import NestedBlocks, RandomTerm, nested_blocks
from registry.science.mixed.newton import LARGEST_RATIO, Optimum, minimise
from registry.science.types import FloatArray, ScienceError

# Degrees of freedom are wanted to 1e-6 relative. Average-information steps rarely leave more to
# do, but where they crawl, exact Newton steps finish until γ moves by less than this share.
POLISHED = 3e-8
MAX_POLISH = 6


@dataclass(frozen=True)
class MixedFit:
    """A fitted linear mixed model; p fixed effects kept, K random terms kept.

    Attributes
    ----------
    method : "reml" or "ml".
    names, beta, standard_error, vcov : fixed effects, (p,), (p,), (p, p); model-based, unadjusted.
    sigma2 : residual variance.
    components : variance of each random term kept.
    criterion : −2 log (restricted) likelihood, with lme4's constant.
    n, p : rows and fixed effects.
    converged : always true; a fit that does not converge raises `FitDidNotConverge`.
    at_boundary : terms whose variance is estimated as zero, which is a result; "residual" among
        them when it vanishes beside a term, whose ratio then sits at `LARGEST_RATIO`.
    n_evaluations : of the criterion.
    aliased : fixed columns left out.
    inseparable : random terms left out.
    information : see `information`; all components, those at the boundary too.
    random_effects : predicted effects per term kept, in the order of the term's levels.
    """

    method: Method
    names: tuple[str, ...]
    beta: FloatArray
    standard_error: FloatArray
    vcov: FloatArray
    sigma2: float
    components: dict[str, float]
    criterion: float
    n: int
    p: int
    converged: bool
    at_boundary: tuple[str, ...]
    n_evaluations: int
    aliased: tuple[Aliased, ...]
    inseparable: tuple[Aliased, ...]
    information: Information
    random_effects: dict[str, FloatArray]


def fit_mixed(
    y: FloatArray,
    x: FloatArray,
    names: Sequence[str],
    terms: Sequence[RandomTerm],
    method: Method = "reml",
) -> MixedFit:
    """Fit  y = X β + Σ Z_k b_k + ε  by REML or ML.

    Parameters
    ----------
    y : (n,) response.
    x : (n, p) fixed-effects design; columns that repeat earlier ones are left out and named.
    names : (p,) names of the columns.
    terms : random terms; one that cannot be separated from earlier ones is left out and named.

    Raises
    ------
    ScienceError : shapes differ, values are not finite, no row is left for the residual, or no
        random term can be separated from it.
    FitDidNotConverge : no optimum was found.
    """
    y, x = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
    _check(y, x, names, terms)
    kept, aliased = independent_columns(x, names)
    if len(y) <= len(kept):
        raise ScienceError(f"{len(y)} rows cannot carry {len(kept)} fixed effects and a residual.")
    x = x[:, kept]
    blocks = nested_blocks(y, x, terms)
    inseparable = inseparable_terms(blocks)
    lost = {a.name for a in inseparable}
    terms = [t for t in terms if t.name not in lost]
    if not terms:
        raise ScienceError(" ".join(a.sentence for a in inseparable))
    if lost:
        blocks = nested_blocks(y, x, terms)
    fit = fit_blocks(blocks, tuple(names[i] for i in kept), method)
    return replace(fit, aliased=aliased, inseparable=inseparable)


def fit_blocks(
    blocks: Blocks, names: tuple[str, ...], method: Method, start: FloatArray | None = None
) -> MixedFit:
    """Fit a model whose columns and terms are known to be separable."""
    optimum, moments = polish(blocks, minimise(blocks, method, start), method)
    at = optimum.evaluation
    vcov = at.sigma2 * at.c
    effects = at.point.random_effects(at.beta)
    return MixedFit(
        method=method,
        names=names,
        beta=blocks.offset + at.beta,
        standard_error=np.sqrt(np.diag(vcov)),
        vcov=vcov,
        sigma2=at.sigma2,
        components={t: at.sigma2 * float(g) for t, g in zip(blocks.terms, at.gamma, strict=True)},
        criterion=at.criterion,
        n=blocks.n,
        p=len(names),
        converged=True,
        at_boundary=_at_boundary(blocks.terms, at.gamma),
        n_evaluations=optimum.n_evaluations,
        aliased=(),
        inseparable=(),
        information=information(at, moments, blocks.terms, method),
        random_effects=dict(zip(blocks.terms, effects, strict=True)),
    )


def _at_boundary(terms: tuple[str, ...], gamma: FloatArray) -> tuple[str, ...]:
    zero = tuple(t for t, g in zip(terms, gamma, strict=True) if g == 0)
    # The last step towards the cap may end a little short of it.
    return (RESIDUAL, *zero) if np.any(gamma >= LARGEST_RATIO / 2) else zero


def polish(blocks: Blocks, optimum: Optimum, method: Method) -> tuple[Optimum, Moments]:
    """Exact Newton steps on the components away from zero, until γ stands still."""
    at, count = optimum.evaluation, optimum.n_evaluations
    moments = at.point.moments()
    for _ in range(MAX_POLISH):
        step = _newton_step(at, moments, method)
        if np.all(np.abs(step) <= POLISHED * at.gamma):
            break
        gamma = at.gamma + step
        if np.any(gamma < 0):
            break
        trial = evaluate(blocks, gamma, method)
        count += 1
        # A step that gains nothing beyond rounding has reached the floor of the arithmetic.
        if trial.criterion > at.criterion + 1e-11 * (1 + abs(at.criterion)):
            break
        at, moments = trial, trial.point.moments()
    return Optimum(at, count), moments


def _newton_step(at: Evaluation, moments: Moments, method: Method) -> FloatArray:
    hessian = observed_curvature(at, moments, method)
    step = np.zeros(len(at.gamma))
    free = np.flatnonzero((at.gamma > 0) & (at.gamma < LARGEST_RATIO))
    if len(free) == 0:
        return step
    scale = at.gamma[free]
    inner = hessian[np.ix_(free, free)] * np.outer(scale, scale)
    if np.linalg.eigvalsh(inner)[0] <= 0:
        return step
    step[free] = -scale * np.linalg.solve(inner, at.gradient[free] * scale)
    return step


def _check(y: FloatArray, x: FloatArray, names: Sequence[str], terms: Sequence[RandomTerm]) -> None:
    if y.ndim != 1 or x.ndim != 2 or len(x) != len(y) or x.shape[1] != len(names):
        raise ScienceError(f"Shapes do not fit: y {y.shape}, X {x.shape}, {len(names)} names.")
    if len(y) == 0 or not (np.isfinite(y).all() and np.isfinite(x).all()):
        raise ScienceError("The model needs at least one row, and finite values throughout.")
    if not terms:
        raise ScienceError("A mixed model needs at least one random term.")
    for term in terms:
        if len(term.codes) != len(y):
            raise ScienceError(f"Term {term.name} has {len(term.codes)} codes for {len(y)} rows.")


__all__ = ["MixedFit", "NestedBlocks", "RandomTerm", "fit_blocks", "fit_mixed", "polish"]
