"""Laplace approximation of the marginal likelihood of nested log rates, with its exact gradient.

Symbols as in `nest` (η, V, D, q, N, A) and `likelihood` (ℓ, L, a, b). At given θ = (L, a, b, τ²):

    η̂, q     mode:  η̂ = m + V q,  q = ∂ℓ/∂η at η̂;  with a flat mean also Σ q = 0, which gives m = μ̂
    criterion  C = Σ ℓ(η̂) − ½ qᵀV q − ½ log det(I + V D) [− ½ log A_root + ½ log 2π]

The bracket is the REML-like form: μ carries a flat prior and is integrated like the effects, which
undoes the downward bias of τ² at few sites exactly as REML does for a linear model. Without it, C
is the Laplace log-likelihood and μ is part of θ (Tierney & Kadane 1986, JASA 81, 82-86).

Gradient. Let g = ∂ log det/∂D (conditional variances of η), λ solve the same system as q with
right-hand side −g∘ℓ''', ρ = m_λ + V λ and N^λ its node sums. Differentiating the mode conditions:

    ∂C/∂φ    = Σ ℓ_φ + ½ Σ g ℓ_ηηφ − ½ Σ ρ ℓ_ηφ                   φ = L, a, b
    ∂C/∂τ_j² = ½ Σ N_j² − ½ ∂log det/∂τ_j² − ½ Σ N_j^λ N_j
    ∂C/∂μ    = Σ q − ½ Σ λ                                         only without the flat mean
"""

from dataclasses import dataclass

import numpy as np

from registry.science.one_stage.likelihood import CellLikelihood, LeafDerivatives
from registry.science.one_stage.nest import Nest, Sweep, log_det_slopes, solve, sweep_up
from registry.science.types import FloatArray

LOG_2PI = float(np.log(2.0 * np.pi))
# Newton's last step is quadratic: below this the next error is under 1e-12 of a log rate.
MODE_TOLERANCE = 1e-6
MAX_MODE_STEPS = 80
# A log rate farther than this from its neighbours is no step worth trying in one go.
LONGEST_STEP = 3.0
NEAR_STEP = 0.3
# Observed information far below the expected one says that a leaf is far from its mode.
LEAST_SHARE = 0.1
# τ²D down to which a leaf's information is taken as it is, and how much lower it may then fall.
EXACT_TO, ROOM = 0.5, 0.25


@dataclass(frozen=True)
class Theta:
    """Parameters on their natural scale; `tau2` leaf first; `mean` None = flat and integrated."""

    lag: float
    a: float
    b: float
    tau2: FloatArray
    mean: float | None = None


@dataclass(frozen=True)
class Mode:
    """The joint mode of all effects at one θ; `scores` is q, `node_sums` its sums by level."""

    mean: float
    eta: FloatArray
    scores: FloatArray
    node_sums: tuple[FloatArray, ...]
    sweep: Sweep
    derivatives: LeafDerivatives


@dataclass(frozen=True)
class Evaluation:
    """Criterion and gradient at one θ. Gradient by L, a, b, then τ_j² (leaf first) [, μ]."""

    criterion: float
    gradient: FloatArray
    mode: Mode


def variance_of_mean(mode: Mode) -> float:
    """Sampling variance of μ̂ at given lag and variances, from how far the sites really lie apart.

    1/A_root times the sites' mean weighted squared deviation, q = Σ W (ỹ − μ̂)²/(S − 1), where the
    site's node sum is N = W (ỹ − μ̂). At an interior τ_s² of a balanced trial q is 1; where τ_s² is
    cut off at zero it is below 1, and without it t with S − 1 degrees of freedom covers too much
    (Hartung & Knapp 2001, Stat. Med. 20, 1771-1782). What the bags alone leave uncertain is its
    lower limit.
    """
    weight = mode.sweep.information[-1] / mode.sweep.inflation[-1]
    known = weight > 0.0
    n_sites = int(known.sum())
    if n_sites < 2:
        return 1.0 / mode.sweep.root
    deviation = float(np.sum(mode.node_sums[-1][known] ** 2 / weight[known]))
    bags_alone = 1.0 / float(np.sum(np.maximum(mode.sweep.information[0], 0.0)))
    return max(deviation / (n_sites - 1) / mode.sweep.root, bags_alone)


class ModeNotFound(ArithmeticError):
    """No interior joint mode at this θ; the caller steps back."""


def evaluate(likelihood: CellLikelihood, theta: Theta, start: FloatArray | Mode) -> Evaluation:
    """Criterion and exact gradient at `theta`.

    Parameters
    ----------
    start : (n_leaves,) first guess of η, or a mode at a neighbouring θ.

    Raises
    ------
    ModeNotFound : the inner iteration does not end at a proper mode.
    """
    mode = find_mode(likelihood, theta, start)
    t = _terms(likelihood, theta, mode)
    criterion = t.leaf.total - 0.5 * mode.scores @ (mode.eta - mode.mean) - 0.5 * t.sweep.log_det()
    gradient = [*t.by_phi.sum(axis=1), *(node.sum() for node in t.by_tau2)]
    if theta.mean is None:
        criterion += 0.5 * (LOG_2PI - np.log(t.sweep.root))
    else:
        gradient.append(t.by_mean.sum())
    exact = Mode(mode.mean, mode.eta, mode.scores, mode.node_sums, t.sweep, t.leaf)
    return Evaluation(float(criterion), np.array(gradient), exact)


@dataclass(frozen=True)
class SitePieces:
    """What each site adds at one θ with the mean given; all (n_sites, …).

    Attributes
    ----------
    gradient : by L, a, b, τ_j² (leaf first) and μ of the site's own log-likelihood.
    score, information : N and A: slope and curvature in μ of the site's height at its mode.
    bags_alone : information of the leaves, were nothing random.
    """

    gradient: FloatArray
    score: FloatArray
    information: FloatArray
    bags_alone: FloatArray


def pieces_by_site(
    likelihood: CellLikelihood, theta: Theta, start: FloatArray | Mode
) -> SitePieces:
    """With the mean given, sites do not know of each other: their parts of `evaluate`."""
    assert theta.mean is not None
    mode = find_mode(likelihood, theta, start)
    t = _terms(likelihood, theta, mode)
    nest = likelihood.cells.nest
    by_variance = [nest.by_site(level, node) for level, node in enumerate(t.by_tau2)]
    columns = [*(nest.by_site(0, leaf) for leaf in t.by_phi), *by_variance, t.by_mean]
    top = t.sweep.information[-1] / t.sweep.inflation[-1]
    alone = nest.by_site(0, np.maximum(t.sweep.information[0], 0.0))
    return SitePieces(np.column_stack(columns), mode.node_sums[-1], top, alone)


@dataclass(frozen=True)
class _Terms:
    """The gradient's terms: `by_phi` (3, n_leaves), `by_tau2` by level and node, `by_mean` by
    site; `sweep` is the one whose determinants are taken."""

    leaf: LeafDerivatives
    sweep: Sweep
    by_phi: FloatArray
    by_tau2: list[FloatArray]
    by_mean: FloatArray


def _terms(likelihood: CellLikelihood, theta: Theta, mode: Mode) -> _Terms:
    flat = theta.mean is None
    leaf, third = likelihood.to_third(mode.eta, theta.lag, theta.a, theta.b)
    nest = likelihood.cells.nest
    sweep = sweep_up(nest, theta.tau2, -leaf.second)
    bounded = bounded_below(-leaf.second, float(theta.tau2[0]))
    safe = sweep if bounded is None else sweep_up(nest, theta.tau2, bounded.information)
    if not (sweep.positive and safe.positive):
        raise ModeNotFound("The penalised information is not positive at the mode.")
    slopes, variances = log_det_slopes(safe, flat)
    by_tau2, g = list(slopes), variances[0]
    if bounded is not None:
        by_tau2[0] = by_tau2[0] + g * bounded.by_tau2
        g = g * bounded.slope
    _, lambda_sums, rho = solve(sweep, -g * third.third, None if flat else 0.0)
    by_phi = third.by_phi + 0.5 * third.second_by_phi * g - 0.5 * third.first_by_phi * rho
    pairs = zip(mode.node_sums, lambda_sums, by_tau2, strict=True)
    by_variance = [0.5 * (n * n - by - n * lam) for n, lam, by in pairs]
    by_mean = mode.node_sums[-1] - 0.5 * lambda_sums[-1]
    return _Terms(leaf, safe, by_phi, by_variance, by_mean)


@dataclass(frozen=True)
class Bounded:
    """Leaf information held back from −1/τ², with its slopes by itself and by τ²."""

    information: FloatArray
    slope: FloatArray
    by_tau2: FloatArray


def bounded_below(information: FloatArray, tau2: float) -> Bounded | None:
    """Leaf information D with τ²D kept above −(EXACT_TO + ROOM); None = nothing was below EXACT_TO.

    A leaf with two modes (a wild bag, a tail of all-gone looks) passes through τ²D = −1 on the way
    from one to the other, where −½ log(1 + τ²D) has no bound; Laplace means nothing there, and
    unbounded it would reward going there.
    """
    x = tau2 * information
    low = x < -EXACT_TO
    if not low.any():
        return None
    slope = np.exp(np.where(low, (x + EXACT_TO) / ROOM, 0.0))
    y = np.where(low, -EXACT_TO - ROOM * (1.0 - slope), x)
    kept = np.where(low, y / tau2, information)
    return Bounded(kept, slope, np.where(low, (slope * x - y) / tau2**2, 0.0))


def find_mode(likelihood: CellLikelihood, theta: Theta, start: FloatArray | Mode) -> Mode:
    """Newton for the joint mode: one linear sweep up and down the nest per step."""
    nest = likelihood.cells.nest
    point = _first_point(nest, theta, start)
    derivatives = likelihood.to_second(point.eta, theta.lag, theta.a, theta.b)
    # A crude start does not satisfy η = m + V q, so there is no height yet to defend.
    height = -np.inf if isinstance(start, np.ndarray) else _height(derivatives, point)
    step = 0.0 if isinstance(start, Mode) else np.inf
    for _ in range(MAX_MODE_STEPS):
        target = _newton_target(nest, theta, derivatives, point.eta, step < NEAR_STEP)
        step = float(np.max(np.abs(target.eta - point.eta)))
        if not np.isfinite(step):
            break
        if step < MODE_TOLERANCE:
            return _settled(nest, theta, derivatives, target)
        share = 1.0 if not np.isfinite(height) else min(1.0, LONGEST_STEP / max(step, 1e-300))
        for _ in range(30):
            trial = target if share == 1.0 else _between(point, target, share)
            derivatives = likelihood.to_second(trial.eta, theta.lag, theta.a, theta.b)
            trial_height = _height(derivatives, trial)
            if trial_height >= height - 1e-9 * (1.0 + abs(height)):
                break
            share *= 0.5
        point, height = trial, trial_height
    raise ModeNotFound("The effects found no mode.")


@dataclass(frozen=True)
class _Point:
    mean: float
    eta: FloatArray
    scores: FloatArray
    node_sums: tuple[FloatArray, ...]


def _first_point(nest: Nest, theta: Theta, start: FloatArray | Mode) -> _Point:
    if isinstance(start, np.ndarray):
        mean = float(np.mean(start)) if theta.mean is None else theta.mean
        return _Point(mean, start, np.zeros_like(start), ())
    mean = start.mean if theta.mean is None else theta.mean
    above = np.array([mean])
    for level in reversed(range(nest.n_levels)):
        above = nest.spread_down(level, above) + theta.tau2[level] * start.node_sums[level]
    return _Point(mean, above, start.scores, start.node_sums)


def _height(derivatives: LeafDerivatives, point: _Point) -> float:
    return derivatives.total - 0.5 * float(point.scores @ (point.eta - point.mean))


def _newton_target(
    nest: Nest, theta: Theta, derivatives: LeafDerivatives, eta: FloatArray, near: bool
) -> _Point:
    """The mode if ℓ were quadratic. Far off, Fisher information stands in where ℓ is not concave;
    near a proper mode the exact one makes the last steps quadratic."""
    information = -derivatives.second
    sweep = sweep_up(nest, theta.tau2, information) if near else None
    if sweep is None or not sweep.positive:
        expected = derivatives.expected()
        least = LEAST_SHARE * expected
        information = np.where(information > 0.0, np.maximum(information, least), expected)
        sweep = sweep_up(nest, theta.tau2, information)
    if theta.mean is None and sweep.root <= 0.0:
        raise ModeNotFound("No look tells anything about the rate at this lag.")
    w = derivatives.first + information * eta
    mean, sums, target = solve(sweep, w, theta.mean)
    return _Point(mean, target, sums[0], sums)


def _between(start: _Point, end: _Point, share: float) -> _Point:
    def mix(x: FloatArray, y: FloatArray) -> FloatArray:
        return x + share * (y - x)

    sums = tuple(mix(x, y) for x, y in zip(start.node_sums, end.node_sums, strict=True))
    mean = start.mean + share * (end.mean - start.mean)
    return _Point(mean, mix(start.eta, end.eta), mix(start.scores, end.scores), sums)


def _settled(nest: Nest, theta: Theta, derivatives: LeafDerivatives, point: _Point) -> Mode:
    sweep = sweep_up(nest, theta.tau2, -derivatives.second)
    return Mode(point.mean, point.eta, point.scores, point.node_sums, sweep, derivatives)
