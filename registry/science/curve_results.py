"""What a fitted decay curve says, and how curves are ranked: one AICc for all."""

from dataclasses import dataclass

import numpy as np

from registry.science.curve_search import SearchResult
from registry.science.curve_shapes import (
    ASYMPTOTIC,
    LAG_FIRST_ORDER,
    SHAPES,
    TENTH,
    Shape,
    days_to,
    mean_residence,
    plateau_of,
)
from registry.science.types import FloatArray, Warning_

LEAST_SQUARES = "least_squares"
CENSORED_LIKELIHOOD = "censored_likelihood"


@dataclass(frozen=True, slots=True)
class CurveFit:
    """One shape fitted to one pile and material.

    `parameters` and `standard_errors` run beside `names`; an error is None at a boundary or without
    a spare degree of freedom. `rss` is weighted by 1/Var where the method has one. `days_to_90` is
    None when the curve never comes below a tenth; `extrapolated` says that it lies beyond the last
    look.
    """

    shape: str
    method: str
    names: tuple[str, ...]
    parameters: tuple[float, ...]
    standard_errors: tuple[float | None, ...]
    n: int
    rss: float
    log_likelihood: float
    aicc: float | None
    half_life: float | None
    days_to_90: float | None
    extrapolated: bool
    mean_residence: float | None
    plateau: float
    last_day: float
    at_boundary: bool
    converged: bool
    n_evaluations: int
    warnings: tuple[Warning_, ...] = ()

    def parameter(self, name: str) -> float:
        return self.parameters[self.names.index(name)]

    def remaining(self, day: FloatArray) -> FloatArray:
        """M at `day` (n,), fraction; beyond `last_day` it is an extrapolation."""
        shape = next(shape for shape in SHAPES if shape.name == self.shape)
        return shape.value(np.asarray(day, dtype=float), np.array(self.parameters))


@dataclass(frozen=True, slots=True)
class RateBound:
    """What the looks say when no rate can be fitted: the rate lies at or above, or below, a value.

    At most one side may be None. `because` is a sentence.
    """

    at_least: float | None
    at_most: float | None
    because: str


@dataclass(frozen=True, slots=True)
class CurveSet:
    """All shapes of one pile and material; `best` has the least AICc among those that have one."""

    fits: tuple[CurveFit, ...]
    refused: tuple[tuple[str, str], ...]
    best: CurveFit | None
    bound: RateBound | None
    warnings: tuple[Warning_, ...]

    def fit(self, shape: str) -> CurveFit | None:
        return next((fit for fit in self.fits if fit.shape == shape), None)


def aicc(log_likelihood: float, n_curve_parameters: int, n: int) -> float | None:
    """AICc with σ counted beside the curve's parameters; None when n leaves nothing to correct."""
    k = n_curve_parameters + 1
    if n - k - 1 <= 0:
        return None
    return -2.0 * log_likelihood + 2.0 * k + 2.0 * k * (k + 1) / (n - k - 1)


def describe(
    shape: Shape,
    t: FloatArray,
    found: SearchResult,
    log_likelihood: float,
    standard_errors: tuple[float | None, ...],
    method: str,
) -> CurveFit:
    """The record of a fit to looks at t (n,)."""
    theta, last = found.theta, float(t.max())
    t90 = days_to(shape, theta, TENTH)
    return CurveFit(
        shape=shape.name,
        method=method,
        names=shape.names,
        parameters=tuple(theta.tolist()),
        standard_errors=standard_errors,
        n=t.size,
        rss=found.rss,
        log_likelihood=log_likelihood,
        aicc=aicc(log_likelihood, len(shape.names), t.size),
        half_life=days_to(shape, theta, 0.5),
        days_to_90=t90,
        extrapolated=t90 is not None and t90 > last,
        mean_residence=mean_residence(shape, theta),
        plateau=plateau_of(shape, theta),
        last_day=last,
        at_boundary=found.at_boundary,
        converged=found.converged,
        n_evaluations=found.n_evaluations,
        warnings=_warnings(shape, theta, t, t90, found),
    )


def collect(
    fits: list[CurveFit],
    refused: list[tuple[str, str]],
    bound: RateBound | None,
    warnings: tuple[Warning_, ...] = (),
) -> CurveSet:
    """The set, with the least AICc among the fits that converged and can be ranked."""
    ranked = [fit for fit in fits if fit.aicc is not None and fit.converged]
    best = min(ranked, key=lambda fit: fit.aicc or 0.0, default=None)
    return CurveSet(tuple(fits), tuple(refused), best, bound, warnings)


def _warnings(
    shape: Shape, theta: FloatArray, t: FloatArray, t90: float | None, found: SearchResult
) -> tuple[Warning_, ...]:
    notes = []
    if aicc(0.0, len(theta), t.size) is None:
        notes.append(
            Warning_("not_ranked", f"{t.size} looks fit this curve, but are too few to rank it.")
        )
    if not found.converged:
        notes.append(Warning_("not_converged", "The fit did not settle; do not use it."))
    if t90 is None and shape is ASYMPTOTIC and theta[1] >= TENTH:
        notes.append(
            Warning_(
                "plateau_above_a_tenth",
                f"This curve levels off at {100 * theta[1]:.0f} %, so it never loses 90 %.",
            )
        )
    elif t90 is not None and t90 > t.max():
        notes.append(
            Warning_(
                "extrapolated",
                f"90 % lost lies beyond the last look (day {t.max():g}): an extrapolation.",
            )
        )
    if shape is LAG_FIRST_ORDER and 0 < theta[1] < t[t > 0].min():
        notes.append(
            Warning_(
                "lag_before_first_look",
                "Nobody looked during the lag; it rests on the shape of the later loss alone. "
                f"Rate times lag is {theta[0] * theta[1]:.3g}.",
            )
        )
    return tuple(notes)
