"""One exploratory question: the rows, whether they can answer, the regression, the answer in words.

slope β₁ per unit of the moderator on the log rate;  a step s of it multiplies the rate by exp(β₁·s)
line at x:  β₀ + β₁·x ± t·√(Var β₀ + 2x·Cov + x²·Var β₁), columns beside at their mean
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from registry.science.explanation_types import (
    ANSWERED,
    KINDS,
    LEVEL,
    ExplainedRate,
    Explanation,
    Question,
    Row,
    regressor,
)
from registry.science.meta_regression import MetaRegression, NotAnswered, meta_regression
from registry.science.types import FitDidNotConverge, FloatArray, IntArray, PooledEstimate

# Two sites cannot tell a slope from a difference between the two.
MIN_SITES = 3
# Two levels make a difference, not a line.
MIN_LEVELS = 3
# Filler and thickness that share so much of their spread cannot be told apart by a few materials.
CONFOUNDED_R2 = 0.9
UNSURE_BELOW_DF = 3


METHOD = (
    "Exploratory meta-regression of the log rate, sampling variances known; {random} random, as "
    "far as the design separates them; REML; t on {df:g} degrees of freedom."
)


def rows_of_materials(estimates: Iterable[PooledEstimate]) -> dict[str, list[Row]]:
    """The sites' own log rates by material, as the two-stage summary has them over all piles."""
    found: dict[str, list[Row]] = {}
    for pooled in estimates:
        if (pooled.model, pooled.outcome, pooled.heat_class) != ("two_stage", "decay_rate", "all"):
            continue
        found[pooled.material] = [
            Row(pooled.material, s.site, None, s.log_estimate, s.log_standard_error**2)
            for s in pooled.sites
            if s.log_estimate is not None and s.log_standard_error
        ]
    return found


def answer(question: Question) -> Explanation:
    """Fit it, or say why not."""
    refusal = _refusal(question)
    if refusal is not None:
        return _told(question, refusal.code, refusal.message)
    df = _df(question)
    try:
        fit = _fit(question, df)
    except FitDidNotConverge as problem:
        return _told(question, "did_not_converge", str(problem))
    if isinstance(fit, NotAnswered):
        return _told(question, fit.code, fit.message)
    return _answered(question, fit)


def _refusal(question: Question) -> NotAnswered | None:
    rows, kind = question.rows, KINDS[question.kind]
    if not rows:
        return NotAnswered(
            "no_rates",
            "No rate was estimated, or no log is complete enough.",
        )
    sites = len({row.site for row in rows})
    if sites < MIN_SITES:
        return NotAnswered(
            "few_sites", f"{sites} {'site' if sites == 1 else 'sites'}: it takes {MIN_SITES}."
        )
    x = _x(question)
    if np.ptp(x) < kind.least_spread:
        return NotAnswered(
            "moderator_constant", "It hardly varies here, so nothing can go with it."
        )
    levels = len(np.unique(x))
    if question.kind in ("filler_fraction", "thickness") and levels < MIN_LEVELS:
        return NotAnswered(
            "few_levels",
            f"{levels} levels make a difference, not a line: see the materials compared.",
        )
    if question.kind == "coating" and _sites_with_both(question) < MIN_SITES:
        return NotAnswered("few_sites", f"It takes {MIN_SITES} sites that had both.")
    if _df(question) < 1:
        return NotAnswered("few_materials", "As many things to tell apart as there are materials.")
    if question.kind == "thickness" and _confounded(question):
        return NotAnswered(
            "confounded", "Thickness and filler move together here; they cannot be told apart."
        )
    return None


def _confounded(question: Question) -> bool:
    levels = np.unique([(row.beside[0], row.x) for row in question.rows], axis=0)
    filler, thickness = levels[:, 0], np.log2(levels[:, 1])
    if np.ptp(filler) == 0.0:
        return False
    return bool(np.corrcoef(filler, thickness)[0, 1] ** 2 > CONFOUNDED_R2)


def _sites_with_both(question: Question) -> int:
    seen: dict[str, set[float]] = {}
    for row in question.rows:
        seen.setdefault(row.site, set()).add(row.x)
    return sum(len(levels) > 1 for levels in seen.values())


def _df(question: Question) -> int:
    """See the head of `explanations.py`."""
    sites = len({row.site for row in question.rows})
    if KINDS[question.kind].between == "piles":
        return sites - 2
    if question.kind == "coating" and question.other is not None:
        return _sites_with_both(question) - 1
    materials = len({row.material for row in question.rows})
    return min(sites - 1, materials - 2 - _beside(question).shape[1])


def _x(question: Question) -> FloatArray:
    return regressor(question.kind, np.array([row.x for row in question.rows]))


def _beside(question: Question) -> FloatArray:
    """Columns beside the moderator, centred, without those that never vary."""
    columns = np.array([row.beside for row in question.rows]).reshape(len(question.rows), -1)
    columns = columns[:, np.ptp(columns, axis=0) > 0.0] if columns.size else columns
    return np.asarray(columns - columns.mean(axis=0)) if columns.size else columns


def _fit(question: Question, df: int) -> MetaRegression | NotAnswered:
    rows = question.rows
    return meta_regression(
        np.array([row.log_rate for row in rows]),
        np.array([row.variance for row in rows]),
        _x(question),
        {
            "site": _codes([row.site for row in rows]),
            "material": _codes([row.material for row in rows]),
            "row": np.arange(len(rows)),
        },
        df=df,
        covariates=_beside(question),
        level=LEVEL,
    )


def _codes(names: Sequence[str]) -> IntArray:
    return np.unique(np.asarray(names, dtype=object).astype(str), return_inverse=True)[1]


def _told(question: Question, code: str, message: str, method: str = "") -> Explanation:
    rows, kind = question.rows, KINDS[question.kind]
    return Explanation(
        kind=question.kind,
        subject=question.subject,
        material=question.material,
        other=question.other,
        code=code,
        message=message,
        method=method,
        unit=kind.unit,
        step=kind.step,
        n_rows=len(rows),
        n_sites=len({row.site for row in rows}),
        n_materials=len({row.material for row in rows}),
        points=tuple(
            ExplainedRate(
                row.material, row.site, row.pile, row.x, row.log_rate, math.sqrt(row.variance)
            )
            for row in rows
        ),
    )


def _answered(question: Question, fit: MetaRegression) -> Explanation:
    # The moderator is the last column, the intercept the first.
    slope, low, high = float(fit.beta[-1]), float(fit.ci_low[-1]), float(fit.ci_high[-1])
    step = KINDS[question.kind].step
    method = METHOD.format(random=", ".join(fit.tau2), df=fit.df)
    return replace(
        _told(question, ANSWERED, _caution(question, fit), method),
        slope=slope,
        standard_error=float(fit.standard_error[-1]),
        df=float(fit.df),
        ci_low=low,
        ci_high=high,
        p=float(fit.p[-1]),
        ratio=_ratio(slope, step),
        ratio_low=_ratio(low, step),
        ratio_high=_ratio(high, step),
        intercept=float(fit.beta[0]),
        intercept_standard_error=float(fit.standard_error[0]),
        covariance=float(fit.covariance[0, -1]),
        tau2_site=fit.tau2.get("site"),
        tau2_material=fit.tau2.get("material"),
        tau2_row=fit.tau2.get("row"),
        tau2_without=fit.tau2_without,
        r2_pct=fit.r2_pct,
        qe=fit.qe,
        qe_df=fit.qe_df,
        qe_p=fit.qe_p,
    )


def _ratio(slope: float, step: float) -> float | None:
    """exp(slope·step); None where it is no number any more (an interval that says nothing)."""
    exponent = slope * step
    return math.exp(exponent) if abs(exponent) < 700.0 else None


def _caution(question: Question, fit: MetaRegression) -> str:
    said = []
    if question.kind == "coating" and question.other is not None:
        said.append("One pair: it tells how these two differ, not what a coating does.")
    if fit.df < UNSURE_BELOW_DF:
        freedom = "degree" if fit.df == 1 else "degrees"
        said.append(f"Only {fit.df:g} {freedom} of freedom: the interval is wide for a reason.")
    if fit.tau2_without <= 0.0:
        said.append("The rates differ no more than chance would; there is nothing to explain.")
    return " ".join(said)
