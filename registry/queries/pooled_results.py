"""What a pooling run says, with everything a statistician asks next."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.db import connection
from django.db.models import Count, QuerySet

from registry.models import (
    Material,
    PooledEstimate,
    PoolingRun,
    Retrieval,
    Trial,
)

# The primary answer first; the others stand beside it.
MODEL_ORDER = ("one_stage", "two_stage", "fixed_day", "ordinal")
_OVERVIEW_OUTCOMES = ("decay_rate", "days_to_90", "disintegration_at_day")
_PARTS = (
    "sites__site",
    "left_out__site",
    "curve",
    "chance_90_by",
    "loss_sensitivity",
    "compared__other",
    "warnings",
)


@dataclass(frozen=True, slots=True)
class MaterialOverview:
    """One material of a run: rate, days to 90 %, loss by the main day; None if it has none."""

    material: Material
    rate: PooledEstimate | None
    days_to_90: PooledEstimate | None
    on_day: PooledEstimate | None
    n_warnings: int


@dataclass(frozen=True, slots=True)
class Exclusion:
    """Looks left out for one reason that a person gave."""

    code: str
    reason: str
    n_looks: int


@dataclass(frozen=True, slots=True)
class PooledResult:
    """All estimates of one material in one run, the primary rate first."""

    material: Material
    primary: PooledEstimate
    days_to_90: PooledEstimate | None
    estimates: tuple[PooledEstimate, ...]
    outcomes: dict[str, int]
    exclusions: tuple[Exclusion, ...]


def run_overview(run: PoolingRun) -> list[MaterialOverview]:
    """Every material of the run by name; its primary rate over all heat classes."""
    rows = (
        run.estimates.filter(heat_class="all", outcome__in=_OVERVIEW_OUTCOMES)
        .select_related("material")
        .prefetch_related("warnings")
    )
    by_material: dict[Material, list[PooledEstimate]] = {}
    for estimate in rows:
        by_material.setdefault(estimate.material, []).append(estimate)
    overviews = [_overview(material, found) for material, found in by_material.items()]
    return sorted(overviews, key=lambda item: (item.material.name, item.material.code))


def _overview(material: Material, estimates: list[PooledEstimate]) -> MaterialOverview:
    # Only the model that fits all materials at once tells them apart, by letters.
    compared = [found for found in estimates if found.model == "fixed_day"] or estimates
    codes = {warning.code for found in estimates for warning in found.warnings.all()}
    return MaterialOverview(
        material=material,
        rate=primary_of(estimates, "decay_rate"),
        days_to_90=primary_of(estimates, "days_to_90"),
        on_day=primary_of(compared, "disintegration_at_day"),
        n_warnings=len(codes),
    )


def pooled_result(run: PoolingRun, material: Material) -> PooledResult | None:
    """The whole answer about one material, or None when the run does not hold it."""
    estimates = sorted(
        run.estimates.filter(material=material).prefetch_related(*_PARTS),
        key=lambda e: (e.outcome, MODEL_ORDER.index(e.model), e.heat_class != "all", e.day or 0),
    )
    overall = [estimate for estimate in estimates if estimate.heat_class == "all"]
    primary = primary_of(overall, "decay_rate")
    if primary is None:
        return None
    return PooledResult(
        material=material,
        primary=primary,
        days_to_90=primary_of(overall, "days_to_90"),
        estimates=tuple(estimates),
        outcomes=_outcome_counts(run.trial, material),
        exclusions=exclusions_of(run, material),
    )


def primary_of(estimates: Sequence[PooledEstimate], outcome: str) -> PooledEstimate | None:
    """The estimate of an outcome by the model that comes first."""
    candidates = [estimate for estimate in estimates if estimate.outcome == outcome]
    return min(candidates, key=lambda e: MODEL_ORDER.index(e.model), default=None)


def _looks(trial: Trial, material: Material) -> QuerySet[Retrieval]:
    return Retrieval.objects.filter(bag__trial=trial, bag__material=material, bag__purpose="sample")


def _outcome_counts(trial: Trial, material: Material) -> dict[str, int]:
    counted = _looks(trial, material).order_by().values_list("outcome").annotate(n=Count("pk"))
    return dict(sorted(counted))


# A person leaves out a look, a bag, or a whole pile; each is counted in looks at this material.
_EXCLUDED = """
SELECT flag.code, flag.reason, count(DISTINCT look.id)
  FROM registry_flag flag
  JOIN registry_pile pile ON pile.id = flag.pile_id
  JOIN registry_bag bag ON bag.pile_id = pile.id
  JOIN registry_retrieval look ON look.bag_id = bag.id
 WHERE pile.trial_id = %s AND bag.material_id = %s AND bag.purpose = 'sample'
   AND flag.decision = 'exclude' AND flag.decided_at <= %s
   AND (flag.retrieval_id = look.id OR flag.bag_id = bag.id
        OR (flag.retrieval_id IS NULL AND flag.bag_id IS NULL AND flag.probe = ''))
 GROUP BY flag.code, flag.reason
 ORDER BY flag.code, flag.reason
"""


def exclusions_of(run: PoolingRun, material: Material) -> tuple[Exclusion, ...]:
    """What people had left out of this material when the run began, and why; a decision taken back
    since is not told."""
    began = run.started_at or run.requested_at
    with connection.cursor() as cursor:
        cursor.execute(_EXCLUDED, [run.trial_id, material.pk, began])
        return tuple(Exclusion(*row) for row in cursor.fetchall())
