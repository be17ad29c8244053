"""REML and ML of a mean with known sampling variances, site random and pile nested in site.

Model, for unit i (a pile) of site s:

    y_si = μ + u_s + d_si + e_si,   u ~ N(0, τ_s²),   d ~ N(0, c_si·τ_p²),   e ~ N(0, v_si) known
    V_s  = diag(v + c·τ_p²) + τ_s²·11ᵀ

c = 1 for one pile; a unit that joins several piles of a site has c = Σ share² < 1.

Per site, with w = 1/(v + c·τ_p²), W = Σw and κ = τ_s²/(1 + τ_s²·W):

    V_s⁻¹ = diag(w) - κ·wwᵀ,     u = V_s⁻¹1 = w/(1 + τ_s²·W),     q = 1ᵀV_s⁻¹1,     Q = Σ_s q
    ℓ_R   = -½ [ Σ log|V_s| + log Q + (y-μ̂)ᵀV⁻¹(y-μ̂) ]      (ℓ_ML leaves log Q out)

Gradient and observed information are exact; with P = V⁻¹ - uuᵀ/Q, e = P y and V_j = ∂V/∂τ_j²:

    ∂ℓ_R/∂τ_j² = -½ [ tr(P V_j) - eᵀV_j e ],      I_ij = eᵀV_i P V_j e - ½·tr(P V_i P V_j)

Newton on τ² ≥ 0 with an active set: a component at zero with a falling criterion stays there. Many
fits run side by side; all that is needed of a site's units are the sums of `nested_sums`, so arrays
are (fits, sites). The criterion can have two optima; every fit is first looked at on a grid, and
climbs from each of its two highest peaks.

References: Harville (1977) J. Am. Stat. Assoc. 72, 320-338; Viechtbauer (2005) J. Educ. Behav.
Stat. 30, 261-293 (known variances); Konstantopoulos (2011) Res. Synth. Methods 2, 61-76 (nested).
"""

from dataclasses import dataclass

import numpy as np

from registry.science.nested_peaks import find_peaks
from registry.science.nested_sums import Kept, NestedEffects, site_sums
from registry.science.types import BoolArray, FitDidNotConverge, FloatArray, IntArray

_MOST_STEPS = 200
_HALVINGS = 30
_LAST_STEP = 1e-8
# A slope, in log-likelihood per spread of the effects, that is none.
_LEVEL = 1e-6
# Keeps the step finite where τ_s² and τ_p² cannot be separated (one pile at every site).
_RIDGE = 1e-9


@dataclass(frozen=True)
class RemlFits:
    """Optima of a batch of fits: all (n_fits,), except `tau2` (n_fits, 2) as site, pile."""

    mu: FloatArray
    standard_error: FloatArray
    tau2: FloatArray
    criterion: FloatArray
    at_boundary: BoolArray
    n_evaluations: int


@dataclass(frozen=True)
class _State:
    mu: FloatArray
    total: FloatArray
    criterion: FloatArray
    gradient: FloatArray
    observed: FloatArray
    expected: FloatArray

    def take(self, rows: IntArray, other: "_State", chosen: BoolArray) -> None:
        """Put the chosen fits of `other` in these rows; in place."""
        for name in self.__dataclass_fields__:
            getattr(self, name)[rows] = getattr(other, name)[chosen]


def fit_nested(
    effects: NestedEffects,
    keep: BoolArray | None = None,
    start: FloatArray | None = None,
    *,
    restricted: bool = True,
    free: tuple[bool, bool] = (True, True),
) -> RemlFits:
    """Fit a batch.

    Parameters
    ----------
    keep : (n_fits, n_sites) sites that take part in each fit; all sites in one fit by default.
    start : (2,) or (n_fits, 2) (τ_s², τ_p²) to climb from; the highest peak of a grid by default.
        Where the grid shows a second peak of about a height, that is climbed too.
    restricted : REML (True) or ML.
    free : which of τ_s², τ_p² are estimated; the other stays at its start.

    Raises
    ------
    FitDidNotConverge when a criterion cannot be brought to an optimum.
    """
    kept = Kept(np.ones((1, effects.n_sites), dtype=bool) if keep is None else keep)
    peaks = find_peaks(effects, kept, restricted, free)
    n = len(kept.sites)
    if start is None:
        first = peaks.best
    else:
        first = np.broadcast_to(np.asarray(start, float), (n, 2)).copy()
    tau2, state, evaluations = _climb(effects, kept, first, restricted, free)
    # The other peak; or, from a given start, whichever peak lies elsewhere.
    for other, there in ((peaks.best, start is not None), (peaks.second, True)):
        try_it = np.full(n, there) & peaks.contested()
        if not try_it.any():
            continue
        some = kept.some(try_it)
        tau2_there, state_there, more = _climb(effects, some, other[try_it], restricted, free)
        evaluations += more
        # A start must win by more than rounding, or the order of starts would decide.
        better = state_there.criterion > state.criterion[try_it] + 1e-10
        won = np.flatnonzero(try_it)[better]
        tau2[won] = tau2_there[better]
        state.take(won, state_there, better)
    return RemlFits(
        mu=state.mu,
        standard_error=1.0 / np.sqrt(state.total),
        tau2=tau2,
        criterion=state.criterion,
        at_boundary=((tau2 <= 0) & np.array(free)).any(axis=1),
        n_evaluations=evaluations,
    )


def criterion(
    effects: NestedEffects, tau2: FloatArray, *, restricted: bool = True
) -> tuple[float, FloatArray]:
    """ℓ at one (τ_s², τ_p²), without the constant in 2π, and its gradient (2,)."""
    kept = Kept(np.ones((1, effects.n_sites), dtype=bool))
    state = _evaluate(effects, kept, np.atleast_2d(np.asarray(tau2, float)), restricted)
    return float(state.criterion[0]), state.gradient[0]


def _climb(
    effects: NestedEffects,
    kept: Kept,
    tau2: FloatArray,
    restricted: bool,
    free: tuple[bool, bool],
) -> tuple[FloatArray, _State, int]:
    scale = effects.scale
    state = _evaluate(effects, kept, tau2, restricted)
    for n in range(1, _MOST_STEPS + 1):
        step = _step(tau2, state, free, scale)
        new, new_state = np.maximum(tau2 + step, 0.0), state
        size = np.ones(len(tau2))
        worse: BoolArray = np.zeros(len(tau2), dtype=bool)
        for _ in range(_HALVINGS):
            new = np.maximum(tau2 + size[:, None] * step, 0.0)
            new_state = _evaluate(effects, kept, new, restricted)
            worse = np.asarray(~(new_state.criterion >= state.criterion - 1e-12))
            if not worse.any():
                break
            size = np.where(worse, 0.25 * size, size)
        else:
            # The step is too short to be told from rounding: stay where we are.
            new = np.where(np.expand_dims(worse, 1), tau2, new)
            new_state = _evaluate(effects, kept, new, restricted)
        # Newton doubles its digits: after a step this small the next one is below rounding. A step
        # that only the search along it made small says nothing, unless the top is level.
        little = _LAST_STEP * (scale + tau2)
        short, whole = (np.abs(d).max(axis=1) for d in ((new - tau2) / little, step / little))
        tau2, state = new, new_state
        if ((short <= 1.0) & ((whole <= 1.0) | _level(tau2, state, free, scale))).all():
            return tau2, state, n
    if not _level(tau2, state, free, scale).all():
        raise FitDidNotConverge("The between-site variance has no optimum that can be reached.")
    return tau2, state, _MOST_STEPS


def _level(tau2: FloatArray, state: _State, free: tuple[bool, bool], scale: float) -> BoolArray:
    """Fits (n_fits,) at a point where no allowed direction rises."""
    slope = np.abs(np.where(tau2 > 0, state.gradient, np.maximum(state.gradient, 0)))
    return np.asarray((np.where(free, slope, 0.0) * scale <= _LEVEL).all(axis=1))


def _step(tau2: FloatArray, state: _State, free: tuple[bool, bool], scale: float) -> FloatArray:
    """Newton where the observed information is positive definite, else Fisher scoring."""
    moves = np.array(free) & ((tau2 > 0) | (state.gradient > 0))
    g = np.where(moves, state.gradient, 0.0)
    out = np.zeros_like(tau2)
    for information in (state.expected, state.observed):
        ridge = _RIDGE * (state.expected[:, 0] + state.expected[:, 2])
        aa, bb = information[:, 0] + ridge, information[:, 2] + ridge
        ab = np.where(moves.all(axis=1), information[:, 1], 0.0)
        one_a, one_b = moves[:, 0] & ~moves[:, 1], moves[:, 1] & ~moves[:, 0]
        det = aa * bb - ab * ab
        floor = 0.1 * _RIDGE * np.maximum(aa * bb, 1e-300)
        good = np.where(one_a, aa > 0, np.where(one_b, bb > 0, (det > floor) & (aa > 0)))
        with np.errstate(divide="ignore", invalid="ignore"):
            both = np.column_stack(
                [(bb * g[:, 0] - ab * g[:, 1]) / det, (aa * g[:, 1] - ab * g[:, 0]) / det]
            )
            alone = np.column_stack([g[:, 0] / aa, g[:, 1] / bb])
        step = np.where(np.all(moves, axis=1, keepdims=True), both, np.where(moves, alone, 0.0))
        step = np.nan_to_num(step, posinf=0.0, neginf=0.0)
        # A joint step out of the quadrant, cut off componentwise, need not rise at all.
        out_of_it = moves.all(axis=1) & good & (tau2 + step < 0).any(axis=1)
        if out_of_it.any():
            rows = np.flatnonzero(out_of_it)
            step[rows] = _step_to_edge(tau2[rows], g[rows], aa[rows], ab[rows], bb[rows])
        out = np.where(good[:, None], step, out)
    # Without any usable information follow the gradient, a little.
    stuck = (out == 0).all(axis=1) & (g != 0).any(axis=1)
    out = np.where(stuck[:, None], np.sign(g) * 0.1 * (tau2 + scale), out)
    return np.asarray(np.clip(out, -1e3 * (scale + tau2), 10.0 * (scale + tau2)))


def _step_to_edge(
    tau2: FloatArray, g: FloatArray, aa: FloatArray, ab: FloatArray, bb: FloatArray
) -> FloatArray:
    """The d ≥ -τ² with the highest g·d - ½ dᵀI d, I = [aa ab; ab bb] positive definite, where the
    highest of all lies outside: the better of the two edges' tops."""
    to_zero = -tau2
    second = np.maximum((g[:, 1] - ab * to_zero[:, 0]) / bb, to_zero[:, 1])
    first = np.maximum((g[:, 0] - ab * to_zero[:, 1]) / aa, to_zero[:, 0])
    edges = np.array(
        [np.column_stack([to_zero[:, 0], second]), np.column_stack([first, to_zero[:, 1]])]
    )
    a, b = edges[..., 0], edges[..., 1]
    gain = g[:, 0] * a + g[:, 1] * b - 0.5 * (aa * a * a + 2.0 * ab * a * b + bb * b * b)
    best = np.argmax(gain, axis=0)
    return np.asarray(edges[best, np.arange(len(best))])


def _evaluate(effects: NestedEffects, kept: Kept, tau2: FloatArray, restricted: bool) -> _State:
    """Criterion, gradient and information of every fit; `tau2` (n_fits, 2)."""
    ts = tau2[:, :1]
    # Fits that stand at the same τ_p² share their sums.
    common = bool((tau2[:, 1] == tau2[0, 1]).all())
    sums = site_sums(effects, tau2[:1, 1] if common else tau2[:, 1])
    (s0, s1, s2), (p0, p1, p2), (t0, t1, t2) = sums.s, sums.p, sums.t
    total_of = kept.total
    shrink = 1.0 / (1.0 + ts * s0)
    kappa = ts * shrink
    q = s0 * shrink
    total = total_of(q)
    mu = total_of(s1 * shrink) / total
    m = mu[:, None]
    wr = s1 - m * s0
    quadratic = total_of(s2 - m * (s1 + wr) - kappa * wr * wr)
    log_det = total_of(sums.log_d - np.log(shrink))
    value = -0.5 * (log_det + quadratic + (np.log(total) if restricted else 0.0))

    # e = w (y - s) with s = μ + κ Σ w r, and sums of c e², w c e, c² w e² over a site.
    e_site = wr * shrink
    s = m + kappa * wr
    ce2 = p2 - s * (2.0 * p1 - s * p0)
    wce = p1 - s * p0
    cce2 = t2 - s * (2.0 * t1 - s * t0)
    big_q = total if restricted else np.full_like(total, np.inf)
    shrink2 = shrink * shrink
    q2, cu2 = q * q, shrink2 * p0
    ss, sp = total_of(q2), total_of(cu2)
    gradient = -0.5 * np.column_stack(
        [
            total - ss / big_q - total_of(e_site * e_site),
            total_of(sums.c - kappa * p0) - sp / big_q - total_of(ce2),
        ]
    )

    # tr(P V_i P V_j), in the order site-site, site-pile, pile-pile.
    traces = np.column_stack(
        [
            ss - 2 * total_of(q2 * q) / big_q + (ss / big_q) ** 2,
            sp - 2 * total_of(q * cu2) / big_q + ss * sp / big_q**2,
            total_of(sums.q - kappa * (2.0 * t0 - kappa * p0 * p0))
            - 2 * total_of(shrink2 * (t0 - kappa * p0 * p0)) / big_q
            + (sp / big_q) ** 2,
        ]
    )
    # eᵀ V_i P V_j e
    along_s, along_p = total_of(q * e_site), total_of(shrink * wce)
    products = np.column_stack(
        [
            total_of(e_site * e_site * q) - along_s**2 / total,
            total_of(e_site * wce * shrink) - along_s * along_p / total,
            total_of(cce2 - kappa * wce * wce) - along_p**2 / total,
        ]
    )
    mean = mu + effects.centre
    return _State(mean, total, value, gradient, products - 0.5 * traces, 0.5 * traces)
