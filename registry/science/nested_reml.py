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
fits run side by side; all arrays are (fits, sites, units), padded with w = 0.

References: Harville (1977) J. Am. Stat. Assoc. 72, 320-338; Viechtbauer (2005) J. Educ. Behav.
Stat. 30, 261-293 (known variances); Konstantopoulos (2011) Res. Synth. Methods 2, 61-76 (nested).
"""

from dataclasses import dataclass

import numpy as np

from registry.science.types import BoolArray, FitDidNotConverge, FloatArray

_MOST_STEPS = 100
_HALVINGS = 30
_LAST_STEP = 1e-9
# Keeps the step finite where τ_s² and τ_p² cannot be separated (one pile at every site).
_RIDGE = 1e-9
# Shares of the spread of the effects at which the criterion is looked at before the climb.
_GRID_LEVELS = (0.0, 0.01, 0.03, 0.1, 0.2, 0.4, 0.8, 1.6)


@dataclass(frozen=True)
class NestedEffects:
    """Effects of the units of each site, padded to a rectangle.

    Attributes
    ----------
    effect, variance, multiplier : (n_sites, width) y, v > 0 and c > 0.
    present : (n_sites, width) False where padded.
    """

    effect: FloatArray
    variance: FloatArray
    multiplier: FloatArray
    present: BoolArray

    @property
    def n_sites(self) -> int:
        return len(self.effect)


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
    start : (n_starts, 2) starting (τ_s², τ_p²); every fit takes the best of its starts. By default
        several, so that a second optimum is not missed.
    restricted : REML (True) or ML.
    free : which of τ_s², τ_p² are estimated; the other stays at its start.

    Raises
    ------
    FitDidNotConverge when a criterion cannot be brought to an optimum.
    """
    if keep is None:
        keep = np.ones((1, effects.n_sites), dtype=bool)
    best: tuple[FloatArray, _State] | None = None
    evaluations = 0
    for one in _starts(effects, keep, start, restricted, free):
        tau2, state, n = _climb(effects, keep, one, restricted, free)
        evaluations += n
        if best is None:
            best = (tau2, state)
            continue
        # A start must win by more than rounding, or the order of starts would decide.
        better = state.criterion > best[1].criterion + 1e-10
        best = (np.where(better[:, None], tau2, best[0]), _pick(better, state, best[1]))
    assert best is not None
    tau2, state = best
    return RemlFits(
        mu=state.mu,
        standard_error=1.0 / np.sqrt(state.total),
        tau2=tau2,
        criterion=state.criterion,
        at_boundary=((tau2 <= 0) & np.array(free)).any(axis=1),
        n_evaluations=evaluations,
    )


def _starts(
    effects: NestedEffects,
    keep: BoolArray,
    start: FloatArray | None,
    restricted: bool,
    free: tuple[bool, bool],
) -> list[FloatArray]:
    """Starts of every fit, each (n_fits, 2): the two highest local maxima on a grid.

    With few sites the criterion can have two optima, one with the spread between sites and one with
    it between piles, or one at zero and one away from it.
    """
    n = len(keep)
    if start is not None:
        return [np.tile(one, (n, 1)) for one in np.unique(np.atleast_2d(start), axis=0)]
    size = _scale(effects)
    levels = [size * np.array(_GRID_LEVELS if f else (0.0,)) for f in free]
    points = np.array([(s, p) for s in levels[0] for p in levels[1]])
    shape = (len(levels[0]), len(levels[1]), n)
    values = np.stack(
        [_evaluate(effects, keep, np.tile(x, (n, 1)), restricted).criterion for x in points]
    ).reshape(shape)
    padded = np.pad(values, ((1, 1), (1, 1), (0, 0)), constant_values=-np.inf)
    around = (padded[:-2, 1:-1], padded[2:, 1:-1], padded[1:-1, :-2], padded[1:-1, 2:])
    peak = np.where(values >= np.maximum.reduce(around), values, -np.inf).reshape(-1, n)
    order = np.argsort(-peak, axis=0, kind="stable")
    second = np.where(np.isfinite(np.take_along_axis(peak, order, axis=0)[1 % len(peak)]), 1, 0)
    return [points[order[0]], points[order[second % len(peak), np.arange(n)]]]


def criterion(
    effects: NestedEffects, tau2: FloatArray, *, restricted: bool = True
) -> tuple[float, FloatArray]:
    """ℓ at one (τ_s², τ_p²), without the constant in 2π, and its gradient (2,)."""
    keep = np.ones((1, effects.n_sites), dtype=bool)
    state = _evaluate(effects, keep, np.atleast_2d(np.asarray(tau2, float)), restricted)
    return float(state.criterion[0]), state.gradient[0]


def _climb(
    effects: NestedEffects,
    keep: BoolArray,
    tau2: FloatArray,
    restricted: bool,
    free: tuple[bool, bool],
) -> tuple[FloatArray, _State, int]:
    scale = _scale(effects)
    state = _evaluate(effects, keep, tau2, restricted)
    for n in range(1, _MOST_STEPS + 1):
        step = _step(tau2, state, free, scale)
        new, new_state = np.maximum(tau2 + step, 0.0), state
        size = np.ones(len(tau2))
        worse: BoolArray = np.zeros(len(tau2), dtype=bool)
        for _ in range(_HALVINGS):
            new = np.maximum(tau2 + size[:, None] * step, 0.0)
            new_state = _evaluate(effects, keep, new, restricted)
            worse = np.asarray(~(new_state.criterion >= state.criterion - 1e-12))
            if not worse.any():
                break
            size = np.where(worse, 0.25 * size, size)
        else:
            # The step is too short to be told from rounding: stay where we are.
            new = np.where(np.expand_dims(worse, 1), tau2, new)
            new_state = _evaluate(effects, keep, new, restricted)
        # Newton doubles its digits: after a step this small the next one is below rounding.
        done = (np.abs(new - tau2) <= _LAST_STEP * (scale + tau2)).all()
        tau2, state = new, new_state
        if done:
            return tau2, state, n
    slope = np.abs(np.where(tau2 > 0, state.gradient, np.maximum(state.gradient, 0)))
    if (slope[:, np.array(free)] * scale > 1e-6).any():
        raise FitDidNotConverge("The between-site variance has no optimum that can be reached.")
    return tau2, state, _MOST_STEPS


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
        out = np.where(good[:, None], np.nan_to_num(step, posinf=0.0, neginf=0.0), out)
    # Without any usable information follow the gradient, a little.
    stuck = (out == 0).all(axis=1) & (g != 0).any(axis=1)
    out = np.where(stuck[:, None], np.sign(g) * 0.1 * (tau2 + scale), out)
    return np.asarray(np.clip(out, -1e3 * (scale + tau2), 10.0 * (scale + tau2)))


def _scale(effects: NestedEffects) -> float:
    y = effects.effect[effects.present]
    return float(np.var(y) + effects.variance[effects.present].min())


def _pick(first: BoolArray, a: _State, b: _State) -> _State:
    def pick(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.where(first.reshape((-1,) + (1,) * (x.ndim - 1)), x, y)

    names = _State.__dataclass_fields__
    return _State(**{name: pick(getattr(a, name), getattr(b, name)) for name in names})


def _evaluate(
    effects: NestedEffects, keep: BoolArray, tau2: FloatArray, restricted: bool
) -> _State:
    """Criterion, gradient and information of every fit; `tau2` (n_fits, 2)."""
    ts, tp = tau2[:, 0][:, None], tau2[:, 1][:, None, None]
    c = effects.multiplier
    d = effects.variance + c * tp
    used = keep[:, :, None] & effects.present
    w = np.where(used, 1.0 / d, 0.0)
    y = np.where(effects.present, effects.effect, 0.0)
    big_w = w.sum(axis=2)
    shrink = 1.0 / (1.0 + ts * big_w)
    kappa = ts * shrink
    q = big_w * shrink
    total = q.sum(axis=1)
    mu = ((w * y).sum(axis=2) * shrink).sum(axis=1) / total
    r = y - mu[:, None, None]
    wr = w * r
    e_site = wr.sum(axis=2) * shrink
    quadratic = (wr * r).sum(axis=(1, 2)) - (kappa * wr.sum(axis=2) ** 2).sum(axis=1)
    log_det = np.where(used, np.log(d), 0.0).sum(axis=(1, 2)) - np.log(shrink).sum(axis=1)
    value = -0.5 * (log_det + quadratic + (np.log(total) if restricted else 0.0))

    u = w * shrink[:, :, None]
    e = wr - w * (kappa * wr.sum(axis=2))[:, :, None]
    cw2, cu2 = (c * w * w).sum(axis=2), (c * u * u).sum(axis=2)
    inv_diag = c * (w - kappa[:, :, None] * w * w)
    big_q = total if restricted else np.full_like(total, np.inf)
    trace_s = total - (q * q).sum(axis=1) / big_q
    trace_p = inv_diag.sum(axis=(1, 2)) - cu2.sum(axis=1) / big_q
    ce = c * e
    gradient = -0.5 * np.column_stack(
        [trace_s - (e_site**2).sum(axis=1), trace_p - (ce * e).sum(axis=(1, 2))]
    )

    # tr(P V_i P V_j), in the order site-site, site-pile, pile-pile.
    cu = c * u
    ucc = (w * cu * cu).sum(axis=2) - kappa * (w * cu).sum(axis=2) ** 2
    off = kappa**2 * (cw2**2 - (c * w * w * c * w * w).sum(axis=2))
    ss, sp, pp = (q * q).sum(axis=1), cu2.sum(axis=1), (inv_diag**2).sum(axis=(1, 2))
    traces = np.column_stack(
        [
            ss - 2 * (q**3).sum(axis=1) / big_q + (ss / big_q) ** 2,
            sp - 2 * (q * cu2).sum(axis=1) / big_q + ss * sp / big_q**2,
            pp + off.sum(axis=1) - 2 * ucc.sum(axis=1) / big_q + (sp / big_q) ** 2,
        ]
    )
    # eᵀ V_i P V_j e
    wce = (w * ce).sum(axis=2)
    along_s, along_p = (q * e_site).sum(axis=1), (u * ce).sum(axis=(1, 2))
    products = np.column_stack(
        [
            (e_site**2 * q).sum(axis=1) - along_s**2 / total,
            (e_site * wce * shrink).sum(axis=1) - along_s * along_p / total,
            ((w * ce * ce).sum(axis=2) - kappa * wce**2).sum(axis=1) - along_p**2 / total,
        ]
    )
    return _State(mu, total, value, gradient, products - 0.5 * traces, 0.5 * traces)
