"""Visual scores: cumulative-link mixed model, site random, pile nested in site.

Model
-----
    P(score ≤ j) = F(θ_j − x'β − u_s − d_sp),   u ~ N(0, τ_s²),  d ~ N(0, τ_p²)

Thresholds θ are free; F is logistic (logit) or normal (probit). u and d are integrated out by
Laplace's approximation with its exact gradient (the sweeps of `one_stage.nest`), or by nested
adaptive Gauss-Hermite quadrature. Bags with the same pile, covariates and score are one cell.

With e = u + d at the mode, g, λ and ρ as in `one_stage.laplace`, the gradient per cell is

    c_φ = ℓ_φ + ½ g ℓ_eeφ − ½ ρ ℓ_eφ      summed over x for β, over classes for θ

Reference: Hedeker & Gibbons 1994, Biometrics 50, 933-944.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from registry.science.one_stage.nest import Nest
from registry.science.ordinal_fit import OrdinalProblem, Solution
from registry.science.ordinal_likelihood import ScoreCells, logistic, normal
from registry.science.types import BoolArray, FloatArray, IntArray, ScienceError, Warning_

# A standard deviation on the link's scale below which piles or sites do not differ visibly.
TAU_IS_ZERO = 0.01
# Nodes for averaging a class's chance over sites and piles: exact to 1e-8 at any spread met.
CHANCE_NODES = 41


class OrdinalOutcome(StrEnum):
    """Whether the scores could be modelled at all."""

    ESTIMATED = "estimated"
    ONE_CLASS = "one_class"


@dataclass(frozen=True)
class OrdinalFit:
    """Cumulative-link mixed model of visual scores.

    Attributes
    ----------
    classes : observed classes, ascending; thresholds lie between neighbours.
    thresholds, beta : (K − 1,) and (q,) estimates on the link's scale.
    covariance : (K − 1 + q + free variances) of thresholds, beta and standard deviations.
    tau2_site, tau2_pile : variances on the link's scale; None = not separable.
    site_effects : (n_sites,) conditional modes of u, ascending site code.
    loglik : Laplace's, or the quadrature's where n_nodes > 1.
    """

    outcome: OrdinalOutcome
    link: str
    classes: tuple[int, ...]
    n_sites: int
    n_piles: int
    n_scores: int
    thresholds: FloatArray
    beta: FloatArray
    covariance: FloatArray
    tau2_site: float | None
    tau2_pile: float | None
    site_effects: FloatArray
    loglik: float | None
    converged: bool
    at_boundary: bool
    n_evaluations: int
    notes: tuple[Warning_, ...] = ()

    @property
    def standard_errors(self) -> FloatArray:
        """Of thresholds, then beta, then standard deviations."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))


@dataclass(frozen=True)
class ClassChances:
    """Chance of each observed class, lowest first: in a middling pile, and in any new pile."""

    classes: tuple[int, ...]
    typical: FloatArray
    new_pile: FloatArray


SEPARATED = Warning_(
    "scores_all_at_one_end",
    "All scores of a group are in the lowest or the highest class: how far beyond it lies is "
    "unknown, only that it does.",
)
ONE_CLASS = Warning_("scores_all_alike", "All scores are the same class: nothing varies.")


def fit_ordinal(
    score: IntArray,
    site: IntArray,
    pile: IntArray,
    pattern: IntArray | None = None,
    design: FloatArray | None = None,
    link: str = "logit",
    n_nodes: int = 1,
) -> OrdinalFit:
    """Fit visual scores.

    Parameters
    ----------
    score : (n,) classes, any integers; only their order counts.
    site, pile : (n,) codes; a pile belongs to one site.
    pattern : (n,) row of `design` of each score; None = no covariates.
    design : (n_patterns, q) covariates, without an intercept.
    n_nodes : 1 = Laplace; more = adaptive quadrature with so many nodes per effect (small data).

    Raises
    ------
    ScienceError : shapes, link, or a design whose columns are not independent of each other and
        of an intercept.
    FitDidNotConverge : no maximum was found.
    """
    if link not in ("logit", "probit"):
        raise ScienceError(f"The link is logit or probit, not {link}.")
    score, site, pile, pattern, design = _checked(score, site, pile, pattern, design)
    classes, code = np.unique(score, return_inverse=True)
    nest, leaf = _nest(site, pile)
    counted = _Counted(tuple(int(c) for c in classes), link, nest, len(score))
    if len(classes) < 2:
        return _nothing_varies(counted, design.shape[1])
    cells = _collapse(leaf, pattern, code, design, nest.sizes[0], len(classes))
    free = _separable(nest)
    solution = OrdinalProblem(cells, nest, free, link).solve(n_nodes)
    return _record(counted, cells, free, solution)


def class_chances(fit: OrdinalFit, x: FloatArray | None = None) -> ClassChances:
    """Chance of each observed class at covariates `x`.

    `typical` has both effects at zero; `new_pile` averages over a new site and pile by
    Gauss-Hermite quadrature of their joint normal spread.
    """
    if fit.outcome is OrdinalOutcome.ONE_CLASS:
        return ClassChances(fit.classes, np.ones(1), np.ones(1))
    shift = 0.0 if x is None else float(np.asarray(x, float) @ fit.beta)
    nodes, weights = np.polynomial.hermite.hermgauss(CHANCE_NODES)
    spread = np.sqrt(2.0 * ((fit.tau2_site or 0.0) + (fit.tau2_pile or 0.0)))
    link = logistic if fit.link == "logit" else normal
    effects = spread * nodes[:, None]
    cumulative = link(fit.thresholds[None, :] - shift - effects).lower
    averaged = weights @ cumulative / np.sqrt(np.pi)
    typical = link(fit.thresholds - shift).lower
    return ClassChances(fit.classes, _differences(typical), _differences(averaged))


def _differences(cumulative: FloatArray) -> FloatArray:
    return np.diff(np.concatenate([[0.0], cumulative, [1.0]]))


@dataclass(frozen=True)
class _Counted:
    """What is known before anything is fitted."""

    classes: tuple[int, ...]
    link: str
    nest: Nest
    n_scores: int


def _checked(
    score: IntArray,
    site: IntArray,
    pile: IntArray,
    pattern: IntArray | None,
    design: FloatArray | None,
) -> tuple[IntArray, IntArray, IntArray, IntArray, FloatArray]:
    score, site, pile = np.asarray(score), np.asarray(site), np.asarray(pile)
    pattern = np.zeros(len(score), np.int64) if pattern is None else np.asarray(pattern)
    design = np.zeros((1, 0)) if design is None else np.asarray(design, float)
    if len(score) == 0 or not (score.shape == site.shape == pile.shape == pattern.shape):
        raise ScienceError("Scores, sites, piles and patterns need one and the same length.")
    used = np.unique(pattern)
    if used[0] < 0 or used[-1] >= len(design):
        raise ScienceError("A pattern has no row in the design.")
    if not np.all(np.isfinite(design)):
        raise ScienceError("The design must hold finite numbers.")
    with_intercept = np.column_stack([np.ones(len(used)), design[used]])
    if np.linalg.matrix_rank(with_intercept) < with_intercept.shape[1]:
        raise ScienceError("These covariates cannot be told apart; leave one of them out.")
    return score, site, pile, pattern, design


def _nest(site: IntArray, pile: IntArray) -> tuple[Nest, IntArray]:
    """Piles in sites, and each score's pile as a dense code."""
    site_codes, site_code = np.unique(site, return_inverse=True)
    pile_codes, leaf = np.unique(pile, return_inverse=True)
    pile_site = np.zeros(len(pile_codes), np.int64)
    pile_site[leaf] = site_code
    if np.any(pile_site[leaf] != site_code):
        raise ScienceError("A pile code stands at two sites; pile codes must be unique.")
    return Nest((pile_site,), (len(pile_codes), len(site_codes))), leaf


def _separable(nest: Nest) -> BoolArray:
    """Free variances: pile where some site has two, site where there are two."""
    return np.array([np.bincount(nest.parents[0]).max() > 1, nest.sizes[1] > 1])


def _collapse(
    leaf: IntArray,
    pattern: IntArray,
    code: IntArray,
    design: FloatArray,
    n_leaves: int,
    n_classes: int,
) -> ScoreCells:
    key = (leaf * len(design) + pattern) * n_classes + code
    cell, count = np.unique(key, return_counts=True)
    group, score = np.divmod(cell, n_classes)
    cell_leaf, cell_pattern = np.divmod(group, len(design))
    weights = count.astype(float)
    return ScoreCells(cell_leaf, cell_pattern, score, weights, design, n_leaves, n_classes)


def _record(
    counted: _Counted, cells: ScoreCells, free: BoolArray, solution: Solution
) -> OrdinalFit:
    k = cells.n_classes - 1
    end = k + cells.design.shape[1]
    pile, site = (
        float(t) if is_free else None for t, is_free in zip(solution.tau2, free, strict=True)
    )
    boundary = any(t is not None and t < TAU_IS_ZERO**2 for t in (pile, site))
    return OrdinalFit(
        OrdinalOutcome.ESTIMATED,
        counted.link,
        counted.classes,
        n_sites=counted.nest.sizes[1],
        n_piles=counted.nest.sizes[0],
        n_scores=counted.n_scores,
        thresholds=solution.at[:k],
        beta=solution.at[k:end],
        covariance=solution.covariance,
        tau2_site=site,
        tau2_pile=pile,
        site_effects=solution.site_effects,
        loglik=solution.loglik,
        converged=True,
        at_boundary=boundary,
        n_evaluations=solution.n_evaluations,
        notes=(SEPARATED,) if _separated(cells) else (),
    )


def _separated(cells: ScoreCells) -> bool:
    """Whether some pattern has all its scores in the lowest, or all in the highest class."""
    n_patterns, last = len(cells.design), cells.n_classes - 1
    total = np.bincount(cells.pattern, cells.count, n_patterns)
    for end in (0, last):
        at_end = np.bincount(cells.pattern, cells.count * (cells.score == end), n_patterns)
        if np.any((at_end == total) & (total > 0)):
            return True
    return False


def _nothing_varies(counted: _Counted, n_covariates: int) -> OrdinalFit:
    return OrdinalFit(
        OrdinalOutcome.ONE_CLASS,
        counted.link,
        counted.classes,
        n_sites=counted.nest.sizes[1],
        n_piles=counted.nest.sizes[0],
        n_scores=counted.n_scores,
        thresholds=np.zeros(0),
        beta=np.zeros(n_covariates),
        covariance=np.zeros((0, 0)),
        tau2_site=None,
        tau2_pile=None,
        site_effects=np.zeros(counted.nest.sizes[1]),
        loglik=None,
        converged=True,
        at_boundary=False,
        n_evaluations=0,
        notes=(ONE_CLASS,),
    )
