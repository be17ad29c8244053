"""Meta-regression: effects with known sampling variances on moderators, random effects beside them.

    y_i = x_iᵀβ + Σ_j u_j[i] + e_i,   u_j ~ N(0, τ_j²),   e_i ~ N(0, v_i) with v_i known

REML by `crossed_reml.py`. The moderators proper come last in the design; an intercept and, where
asked for, covariates stand before them.

    test of the m moderators   F = β_mᵀ Cov(β_m)⁻¹ β_m / m,  against F(m, df); t with df for each
    residual heterogeneity     Q_E = Σ (y − Xβ_w)²/v with weights 1/v, against chi² with n − p
    R²                         100·(Σ τ²_without − Σ τ²_with) / Σ τ²_without, never below 0

"without" is the same model less the moderators. The degrees of freedom are the caller's: they
depend on the level at which a moderator varies (sites, materials), which a design does not tell.

References: Viechtbauer (2010) J. Stat. Softw. 36(3); Raudenbush (2009) in Cooper, Hedges and
Valentine, Handbook of Research Synthesis, 2nd ed., 295–315 (R²); López-López et al. (2014) Br. J.
Math. Stat. Psychol. 67, 30–48 (few studies make R² unsure).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution

from registry.science.crossed_reml import CrossedFit, fit_crossed
from registry.science.types import FloatArray, IntArray, ScienceError

# A column that others predict to this share of its own spread says nothing of its own.
ALIASED_BELOW = 1e-8
# Fewer rows than coefficients and two leave hardly anything to judge the spread by.
SPARE_ROWS = 2


@dataclass(frozen=True)
class NotAnswered:
    """Why the data cannot answer: `too_few_rows`, `moderator_constant` or `aliased`."""

    code: str
    message: str


@dataclass(frozen=True)
class MetaRegression:
    """Coefficients (p,) with t intervals on `df`; variances of the random effects by name.

    `tau2` holds the effects that the design separates; `tau2_without` is their sum without the
    moderators, `r2_pct` None where that is zero. `f` tests the moderators together.
    """

    beta: FloatArray
    covariance: FloatArray
    df: float
    ci_low: FloatArray
    ci_high: FloatArray
    p: FloatArray
    tau2: dict[str, float]
    tau2_without: float
    r2_pct: float | None
    f: float
    f_df: int
    f_p: float
    qe: float
    qe_df: int
    qe_p: float
    n_rows: int
    n_evaluations: int

    @property
    def standard_error(self) -> FloatArray:
        return np.asarray(np.sqrt(np.diag(self.covariance)))


def meta_regression(
    effect: FloatArray,
    variance: FloatArray,
    moderators: FloatArray,
    factors: Mapping[str, IntArray],
    *,
    df: float,
    covariates: FloatArray | None = None,
    level: float = 0.95,
) -> MetaRegression | NotAnswered:
    """Fit the moderators.

    Parameters
    ----------
    effect, variance : (n,) finite, v > 0.
    moderators : (n, m), tested together; `covariates` (n, c), in the model either way.
    factors : codes (n,) of the random effects, coarsest first; one that the design does not
        separate from the coefficients or from an earlier one is left out.
    df : degrees of freedom of t and, below the line, of F.

    Raises
    ------
    ScienceError when the input is not of one length, or not finite.
    FitDidNotConverge
    """
    y, v, x, w = _checked(effect, variance, moderators, covariates)
    n, m = x.shape
    before = np.hstack([np.ones((n, 1)), w])
    design = np.hstack([before, x])
    refusal = _refusal(before, x)
    if refusal is not None:
        return refusal
    separable = separate(factors, design)
    fit = fit_crossed(y, v, list(separable.values()), design)
    without = fit_crossed(y, v, list(separable.values()), before)
    half = float(t_distribution.ppf(0.5 + level / 2, df)) * np.sqrt(np.diag(fit.covariance))
    t = np.abs(fit.beta) / np.sqrt(np.diag(fit.covariance))
    f = _f(fit, m)
    qe, qe_df = _residual_q(y, v, design)
    return MetaRegression(
        beta=fit.beta,
        covariance=fit.covariance,
        df=df,
        ci_low=fit.beta - half,
        ci_high=fit.beta + half,
        p=2.0 * t_distribution.sf(t, df),
        tau2=dict(zip(separable, fit.tau2.tolist(), strict=True)),
        tau2_without=float(without.tau2.sum()),
        r2_pct=_r2(float(fit.tau2.sum()), float(without.tau2.sum())),
        f=f,
        f_df=m,
        f_p=float(f_distribution.sf(f, m, df)),
        qe=qe,
        qe_df=qe_df,
        qe_p=float(chi2.sf(qe, qe_df)),
        n_rows=n,
        n_evaluations=fit.n_evaluations + without.n_evaluations,
    )


def separate(factors: Mapping[str, IntArray], design: FloatArray) -> dict[str, IntArray]:
    """The factors with more than one level that are neither in the design nor a repetition."""
    kept: dict[str, IntArray] = {}
    for name, codes in factors.items():
        repeated = any(_same_partition(codes, other) for other in kept.values())
        if codes.max() > 0 and not repeated and not _is_fixed(codes, design):
            kept[name] = codes
    return kept


def _is_fixed(codes: IntArray, design: FloatArray) -> bool:
    """Whether the levels are combinations of the design's columns; more levels than that cannot."""
    levels = int(codes.max()) + 1
    if levels > design.shape[1]:
        return False
    return _inside(np.equal.outer(codes, np.arange(levels)).astype(float), design)


def _same_partition(one: IntArray, other: IntArray) -> bool:
    pairs = len(np.unique(np.column_stack([one, other]), axis=0))
    return pairs == len(np.unique(one)) == len(np.unique(other))


def _inside(columns: FloatArray, design: FloatArray) -> bool:
    left = columns - design @ np.linalg.lstsq(design, columns, rcond=None)[0]
    return bool(np.abs(left).max() < ALIASED_BELOW)


def _refusal(before: FloatArray, x: FloatArray) -> NotAnswered | None:
    n, m = x.shape
    if n < before.shape[1] + m + SPARE_ROWS:
        return NotAnswered("too_few_rows", f"{n} rows cannot carry {m} moderators.")
    spread = np.ptp(x, axis=0)
    if (spread == 0.0).any():
        return NotAnswered("moderator_constant", "The moderator is the same in every row.")
    # On a common scale, or a moderator in large units would look independent.
    scaled = np.hstack([before, x / spread])
    for column in range(1, scaled.shape[1]):
        rest = np.delete(scaled, column, axis=1)
        if _inside(scaled[:, [column]], rest):
            return NotAnswered(
                "aliased",
                "The moderator moves exactly with another one; they cannot be told apart.",
            )
    return None


def _f(fit: CrossedFit, m: int) -> float:
    beta = fit.beta[-m:]
    return float(beta @ np.linalg.solve(fit.covariance[-m:, -m:], beta)) / m


def _r2(with_moderators: float, without: float) -> float | None:
    if without <= 0.0:
        return None
    return 100.0 * max(0.0, (without - with_moderators) / without)


def _residual_q(y: FloatArray, v: FloatArray, design: FloatArray) -> tuple[float, int]:
    root = np.sqrt(v)
    scaled = design / root[:, None]
    left = y / root - scaled @ np.linalg.lstsq(scaled, y / root, rcond=None)[0]
    return float(left @ left), len(y) - design.shape[1]


def _checked(
    effect: FloatArray,
    variance: FloatArray,
    moderators: FloatArray,
    covariates: FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    y, v = np.asarray(effect, dtype=float), np.asarray(variance, dtype=float)
    x = np.asarray(moderators, dtype=float).reshape(len(y), -1)
    w = np.zeros((len(y), 0)) if covariates is None else np.asarray(covariates, dtype=float)
    same = y.shape == v.shape and len(y) == len(x) == len(w)
    if not same or not all(np.isfinite(part).all() for part in (y, v, x, w)) or (v <= 0).any():
        raise ScienceError("Rows must be finite and of one length, with variances above zero.")
    return y, v, x, w
