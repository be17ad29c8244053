"""An exploratory question and its answer as records, and the line that is drawn through the rates.

slope β₁ on the log rate per unit of the moderator; a step s multiplies the rate by exp(β₁·s)
line at x:  β₀ + β₁·x ± t·√(Var β₀ + 2x·Cov + x²·Var β₁), columns beside at their mean
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import t as t_distribution

from registry.science.types import FloatArray

LEVEL = 0.95
ANSWERED = "answered"


@dataclass(frozen=True, slots=True)
class Kind:
    """A moderator: unit (UCUM), the step in which people read its slope, level at which it varies.

    `least_spread` is the range below which it counts as the same everywhere.
    """

    unit: str
    step: float
    between: str  # materials | sites | piles
    least_spread: float


KINDS: dict[str, Kind] = {
    "filler_fraction": Kind("%", 10.0, "materials", 1.0),
    "coating": Kind("1", 1.0, "materials", 1.0),
    # In doublings; 5 % of a thickness is within the tolerance of most gauges.
    "thickness": Kind("um", 1.0, "materials", 0.07),
    "mean_temperature": Kind("Cel", 5.0, "piles", 1.0),
    "hours_above_55": Kind("h", 100.0, "piles", 1.0),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One log rate with its sampling variance: of a material at a site, or in one of its piles."""

    material: str
    site: str
    pile: str | None
    log_rate: float
    variance: float
    x: float = math.nan
    beside: tuple[float, ...] = ()

    def at(self, x: float, beside: tuple[float, ...] = ()) -> "Row":
        return replace(self, x=x, beside=beside)


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked; `subject` is the only one of its kind."""

    kind: str
    subject: str
    rows: tuple[Row, ...]
    material: str | None = None
    other: str | None = None


@dataclass(frozen=True, slots=True)
class ExplainedRate:
    """A row as it was fitted; `x` in the moderator's unit (µm of a thickness)."""

    material: str
    site: str
    pile: str | None
    x: float
    log_rate: float
    standard_error: float


@dataclass(frozen=True, slots=True)
class Explanation:
    """An exploratory answer, or by `code` why there is none; numbers None then.

    slope : on the log rate, per % of filler, coated, doubling of thickness, °C or hour.
    ratio : by which a `step` of the moderator multiplies the rate.
    """

    kind: str
    subject: str
    material: str | None
    other: str | None
    code: str
    message: str
    method: str
    unit: str
    step: float
    n_rows: int
    n_sites: int
    n_materials: int
    slope: float | None = None
    standard_error: float | None = None
    df: float | None = None
    ci_low: float | None = None
    ci_high: float | None = None
    p: float | None = None
    ratio: float | None = None
    ratio_low: float | None = None
    ratio_high: float | None = None
    intercept: float | None = None
    intercept_standard_error: float | None = None
    covariance: float | None = None
    tau2_site: float | None = None
    tau2_material: float | None = None
    tau2_row: float | None = None
    tau2_without: float | None = None
    r2_pct: float | None = None
    qe: float | None = None
    qe_df: int | None = None
    qe_p: float | None = None
    level: float = LEVEL
    points: tuple[ExplainedRate, ...] = ()

    @property
    def answered(self) -> bool:
        return self.code == ANSWERED


def line(
    intercept: float,
    slope: float,
    errors: tuple[float, float],
    covariance: float,
    df: float,
    x: FloatArray,
    level: float = LEVEL,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The fitted log rate at `x` (n,) with both ends of its interval.

    errors : standard errors of intercept and slope; `x` as `regressor` gives it.
    """
    fitted = intercept + slope * x
    variance = errors[0] ** 2 + 2.0 * x * covariance + (x * errors[1]) ** 2
    half = float(t_distribution.ppf(0.5 + level / 2, df)) * np.sqrt(np.maximum(variance, 0.0))
    return fitted, fitted - half, fitted + half


def regressor(kind: str, x: FloatArray) -> FloatArray:
    """The moderator as it enters the model."""
    return np.log2(x) if kind == "thickness" else x
