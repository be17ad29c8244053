"""Shapes that go into the pooling and come out of it. Frozen, plain, no behaviour beyond checks.

`BagLooks` is one row per look at one bag. The database and a released package both build exactly
this and call the same function, so a number can be recomputed without the registry.

`PooledEstimate` is one answer about one material. `None` always means "cannot be estimated from
these looks"; the reason is in `warnings`. A bound without an estimate is kept in `ci_low` or
`ci_high` alone: a material that was gone before anybody looked has a `ci_low` for its rate, and
neither an `estimate` nor a `ci_high`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


class ScienceError(ValueError):
    """Input that no statistic can be computed from; the message says what to change."""


class FitDidNotConverge(ArithmeticError):
    """An iteration ended without an optimum; no number of that fit may be used."""


class LookOutcome(IntEnum):
    """What was found when a bag was looked at. The names in lower case are the upload's words."""

    RECOVERED = 0  # residue weighed or scored
    NOTHING_LEFT = 1  # bag intact, no residue: a true zero, known to lie below the detection limit
    BAG_LOST = 2  # missing, never zero
    BAG_DAMAGED = 3  # missing, never zero
    LOOKED_AT = 4  # scored in place, not weighed


class BagPurpose(IntEnum):
    """Why a bag was made."""

    SAMPLE = 0
    TRAVEL = 1  # buried and lifted on day 0: handling loss
    EMPTY = 2  # no specimen: compost that gets into a bag


class MaterialRole(StrEnum):
    """What a material is for in a trial."""

    TEST = "test"
    POSITIVE_CONTROL = "positive_control"
    NEGATIVE_CONTROL = "negative_control"


@dataclass(frozen=True)
class BagLooks:
    """Every look at every bag of one trial; row order carries no meaning.

    Attributes
    ----------
    site, pile, material, bag : (n,) codes, 0-based, into the label tuples (`bag` has no labels).
    day : (n,) actual elapsed days since burial, >= 0.
    remaining : (n,) fraction of the oven-dry start mass, ash-corrected where that was accepted;
        nan where nothing was weighed. Never clipped: values above 1 stay.
    outcome : (n,) `LookOutcome` codes.
    detection_limit : (n,) fraction of the start mass below which residue cannot be told from none.
    excluded : (n,) excluded by a person, with a reason kept elsewhere.
    fragmentation : (n,) visual class 0-5, nan where not scored.
    measurement_sd : (n,) extra standard deviation of `remaining` from the ash correction, or 0.
    ash_corrected : (n,) whether `remaining` is ash-corrected.
    purpose : (n,) `BagPurpose` codes.
    pile_site : (n_piles,) site code of each pile.
    pile_heat : (n_piles,) heat class words; empty when the trial has no temperatures.
    material_roles : (n_materials,) `MaterialRole` words.
    """

    site: IntArray
    pile: IntArray
    material: IntArray
    bag: IntArray
    day: FloatArray
    remaining: FloatArray
    outcome: NDArray[np.int8]
    detection_limit: FloatArray
    excluded: BoolArray
    fragmentation: FloatArray
    measurement_sd: FloatArray
    ash_corrected: BoolArray
    purpose: NDArray[np.int8]
    site_labels: tuple[str, ...]
    pile_labels: tuple[str, ...]
    material_labels: tuple[str, ...]
    pile_site: IntArray
    material_roles: tuple[str, ...] = ()
    pile_heat: tuple[str, ...] = ()
    trial: str = ""

    def __len__(self) -> int:
        return len(self.day)

    def rows(self, keep: BoolArray | IntArray) -> "BagLooks":
        """The same trial with only the rows in `keep`; codes and labels stay."""
        per_look = {name: getattr(self, name)[keep] for name in LOOK_COLUMNS}
        return replace_columns(self, **per_look)


LOOK_COLUMNS = (
    "site",
    "pile",
    "material",
    "bag",
    "day",
    "remaining",
    "outcome",
    "detection_limit",
    "excluded",
    "fragmentation",
    "measurement_sd",
    "ash_corrected",
    "purpose",
)


def replace_columns(looks: BagLooks, **columns: NDArray[Any]) -> BagLooks:
    """A copy of `looks` with some per-look columns replaced, all of one length."""
    values = {name: getattr(looks, name) for name in looks.__dataclass_fields__}
    return BagLooks(**{**values, **columns})


@dataclass(frozen=True)
class Warning_:
    """Something a reader of the number must know. Codes are permanent, messages may improve."""

    code: str
    message: str


@dataclass(frozen=True)
class ChanceByDay:
    """Chance that a new pile at a new site has lost at least 90 % by `days`."""

    days: int
    probability: float


@dataclass(frozen=True)
class SiteEstimate:
    """One site's own answer and its shrunken one; `estimate` is None where it has no rate.

    `note` says why a site is shown greyed (an inactive pile, say); it still counts.
    """

    site: str
    estimate: float | None
    log_estimate: float | None
    log_standard_error: float | None
    ci_low: float | None
    ci_high: float | None
    shrunken_estimate: float | None
    weight_pct: float | None
    n_piles: int
    n_bags: int
    note: str | None = None


@dataclass(frozen=True)
class LeftOut:
    """The pooled answer without one site."""

    site: str
    estimate: float | None
    ci_low: float | None
    ci_high: float | None
    tau2_site: float | None


@dataclass(frozen=True)
class CurvePoint:
    """Fraction remaining on one day: fitted, interval of the mean curve, interval of a new pile."""

    day: float
    fitted: float
    ci_low: float | None
    ci_high: float | None
    pi_low: float | None
    pi_high: float | None


@dataclass(frozen=True)
class LossScenario:
    """The answer if every lost or damaged bag had been `gone` or `untouched`: the worst cases."""

    assumption: str
    estimate: float | None
    ci_low: float | None
    ci_high: float | None


@dataclass(frozen=True)
class Comparison:
    """One material less another, in the unit of the estimate, adjusted for all compared."""

    other: str
    difference: float
    standard_error: float
    df: float
    ci_low: float
    ci_high: float
    p_adjusted: float
    adjustment: str


@dataclass(frozen=True)
class ClassChance:
    """One class of a visual score: how often it was seen, and its chance in a new pile."""

    score: int
    count: int
    probability: float | None


@dataclass(frozen=True)
class PooledEstimate:
    """One pooled answer; fields as in section 5 of the contract. None where not estimable."""

    trial: str
    material: str
    outcome: str  # decay_rate | days_to_90 | disintegration_at_day | fragmentation_at_day
    model: str  # one_stage | two_stage | fixed_day | ordinal
    day: float | None
    heat_class: str  # all | hot | warm | cool
    time_scale: str  # days
    estimate: float | None
    ci_low: float | None
    ci_high: float | None
    pi_low: float | None
    pi_high: float | None
    level: float
    unit: str  # 1/d | d | %
    log_estimate: float | None
    log_standard_error: float | None
    tau2_site: float | None
    tau2_pile: float | None
    i2_pct: float | None
    q: float | None
    q_df: int | None
    q_p: float | None
    n_sites: int
    n_piles: int
    n_bags: int
    n_excluded: int
    n_lost: int
    n_nothing_left: int
    method: str
    model_version: str
    chance_90_by: tuple[ChanceByDay, ...] = ()
    sites: tuple[SiteEstimate, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    curve: tuple[CurvePoint, ...] = ()
    loss_sensitivity: tuple[LossScenario, ...] = ()
    # All pairs; and the one with the trial's reference material, adjusted among those alone.
    comparisons: tuple[Comparison, ...] = ()
    against_reference: Comparison | None = None
    # Less its base without filler, or its uncoated partner, adjusted within that family.
    within_formulation: Comparison | None = None
    class_chances: tuple[ClassChance, ...] = ()
    warnings: tuple[Warning_, ...] = ()
    # Of a model on a linear scale: standard error, its degrees of freedom, compact letters.
    standard_error: float | None = None
    df: float | None = None
    letters: str = ""
    # Of several materials on one day: the parts of the between-site and between-pile variances that
    # are a material's own, and the variance of bags; what a next trial is planned with.
    tau2_site_material: float | None = None
    tau2_pile_material: float | None = None
    residual_variance: float | None = None
    input_digest: str | None = None
    # For the statistician: lag and its interval, residual variance a + b f², Q-profile of τ².
    lag_days: float | None = None
    lag_low: float | None = None
    lag_high: float | None = None
    lag_identified: bool | None = None
    residual_a: float | None = None
    residual_b: float | None = None
    tau2_site_low: float | None = None
    tau2_site_high: float | None = None
    converged: bool = True
    at_boundary: bool = False
    n_evaluations: int = 0


@dataclass(frozen=True)
class LookColumns:
    """Per-look columns with the words people write, as read from a table; see `code_looks`.

    All sequences have one entry per look. `pile` is scoped by `site`. `measurement_sd`,
    `ash_corrected` and `purpose` may be left empty: none, none and all samples.
    """

    site: Sequence[str]
    pile: Sequence[str]
    material: Sequence[str]
    bag: Sequence[str]
    day: FloatArray
    remaining: FloatArray
    outcome: Sequence[str]
    detection_limit: FloatArray
    excluded: BoolArray
    fragmentation: FloatArray | None = None
    measurement_sd: FloatArray | None = None
    ash_corrected: BoolArray | None = None
    purpose: Sequence[str] = ()
    material_roles: dict[str, str] = field(default_factory=dict)
    pile_heat: dict[tuple[str, str], str] = field(default_factory=dict)
    trial: str = ""
