"""The decay curves of each pile and material of a finished run, fitted after it, some at a time.

One worker is on a run at a time (a lock that ends with its transaction). What it has fitted in
`BATCH_SECONDS` is stored whole piles at a time, so that a worker that dies costs one batch. Piles
that have curves are not fitted again. When the data have moved on since the run, no more are
fitted: the next run has its own.
"""

import time
from collections.abc import Iterator
from datetime import timedelta
from enum import Enum

from django.db import transaction
from django.db.models import F, Q
from django.db.models.functions import Now

from registry.intake import locks
from registry.models import (
    CurveShape,
    CurvesState,
    Material,
    Pile,
    PileCurve,
    PoolingRun,
    RunState,
    Trial,
)
from registry.queries import pooling_input
from registry.queries.looks_of_trial import looks_of
from registry.science.curve_results import CurveFit
from registry.science.looks import in_fixed_order
from registry.science.pile_curves import PileCurves, curves_of_pile
from registry.science.used_looks import UsedLooks, use_looks

# Long enough that reading the looks does not count, short enough to leave workers to others.
BATCH_SECONDS = 20.0
MOST_FAILURES = 3


class Progress(Enum):
    """What became of a batch."""

    MORE = "more"  # ring again
    FINISHED = "finished"
    NOT_MINE = "not mine"  # nothing waits, or another worker is on it


def fit_batch(run_id: int) -> Progress:
    """Fit some piles of a run that waits for its curves."""
    try:
        return _fit_batch(run_id)
    except Exception:
        failed = PoolingRun.objects.filter(pk=run_id, curves=CurvesState.WAITING)
        failed.update(curves_failures=F("curves_failures") + 1)
        failed.filter(curves_failures__gte=MOST_FAILURES).update(curves=CurvesState.FAILED)
        raise


@transaction.atomic
def _fit_batch(run_id: int) -> Progress:
    if not locks.take_curves(run_id):
        return Progress.NOT_MINE
    runs = PoolingRun.objects.filter(pk=run_id, state=RunState.DONE, curves=CurvesState.WAITING)
    run = runs.select_related("trial").first()
    if run is None:
        return Progress.NOT_MINE
    used = _looks_of_the_run(run)
    if used is None:
        runs.update(curves=CurvesState.OUTDATED)
        return Progress.FINISHED
    if _fit_until(run, used, time.monotonic() + BATCH_SECONDS):
        runs.update(curves=CurvesState.DONE)
        return Progress.FINISHED
    # No bell of the sweep while one batch rings for the next.
    runs.update(curves_sent_at=Now())
    return Progress.MORE


def runs_to_ring_for(*, quiet_for: timedelta) -> list[int]:
    """Finished runs that wait for curves and for which no bell rang lately; marks them rung."""
    waiting = Q(state=RunState.DONE, curves=CurvesState.WAITING)
    unheard = Q(curves_sent_at__isnull=True) | Q(curves_sent_at__lt=Now() - quiet_for)
    with transaction.atomic():
        runs = PoolingRun.objects.select_for_update(skip_locked=True).filter(waiting, unheard)
        ids = list(runs.order_by("pk").values_list("pk", flat=True))
        PoolingRun.objects.filter(pk__in=ids).update(curves_sent_at=Now())
    return ids


def _looks_of_the_run(run: PoolingRun) -> UsedLooks | None:
    """The looks that the run pooled, made ready as it did; None when they are no more the same."""
    trial: Trial = run.trial
    looks = in_fixed_order(looks_of(trial))
    if pooling_input.digest(trial) != run.input_digest:
        return None
    return use_looks(looks, primary_day=trial.primary_day, schedule_days=trial.schedule_days)


def _fit_until(run: PoolingRun, used: UsedLooks, deadline: float) -> bool:
    """Fit and store pile after pile until the deadline; True when none is left."""
    variances = _variances(run)
    materials = dict(Material.objects.values_list("code", "pk"))
    piles = {
        (site, code): pk
        for pk, site, code in run.trial.piles.values_list("pk", "site__code", "code")
    }
    fitted = set(Pile.objects.filter(curves__run=run).values_list("pk", flat=True))
    for number, label in enumerate(used.looks.pile_labels):
        pile = piles[used.looks.site_labels[int(used.looks.pile_site[number])], label]
        if pile in fitted:
            continue
        if time.monotonic() > deadline:
            return False
        _store(run, pile, materials, list(curves_of_pile(used, number, variances)))
    return True


def _variances(run: PoolingRun) -> dict[str, tuple[float, float]]:
    """Material → residual variance a + b f² of the run's one-stage model."""
    rows = run.estimates.filter(model="one_stage", outcome="decay_rate", heat_class="all")
    told = rows.exclude(residual_a=None).exclude(residual_b=None)
    return {
        material: (a, b)
        for material, a, b in told.values_list("material__code", "residual_a", "residual_b")
    }


def _store(run: PoolingRun, pile: int, materials: dict[str, int], found: list[PileCurves]) -> None:
    rows = PileCurve.objects.bulk_create(
        PileCurve(
            run=run,
            pile_id=pile,
            material_id=materials[part.material],
            outcome=part.outcome,
            message=part.message,
            method=part.method,
            best=part.curves.best.shape if part.curves.best else "",
            rate_at_least=part.curves.bound.at_least if part.curves.bound else None,
            rate_at_most=part.curves.bound.at_most if part.curves.bound else None,
            residual_a=part.a,
            residual_b=part.b,
            n_looks=part.n_looks,
            n_days=part.n_days,
            n_nothing_left=part.n_nothing_left,
        )
        for part in found
    )
    CurveShape.objects.bulk_create(
        shape for row, part in zip(rows, found, strict=True) for shape in _shapes(row, part)
    )


def _shapes(row: PileCurve, part: PileCurves) -> Iterator[CurveShape]:
    for fit in part.curves.fits:
        yield _fitted(row, fit)
    for shape, reason in part.curves.refused:
        yield CurveShape(curve=row, shape=shape, refused=reason)


def _fitted(row: PileCurve, fit: CurveFit) -> CurveShape:
    return CurveShape(
        curve=row,
        shape=fit.shape,
        parameters=list(fit.parameters),
        standard_errors=list(fit.standard_errors),
        log_likelihood=fit.log_likelihood,
        aicc=fit.aicc,
        half_life_days=fit.half_life,
        days_to_90=fit.days_to_90,
        extrapolated=fit.extrapolated,
        mean_residence_days=fit.mean_residence,
        plateau=fit.plateau,
        last_day=fit.last_day,
        at_boundary=fit.at_boundary,
        converged=fit.converged,
        warning_codes=[warning.code for warning in fit.warnings],
        warnings=[warning.message for warning in fit.warnings],
    )
