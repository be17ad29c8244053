"""What moved between two pooling runs of a trial, and which data came in between."""

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Q, QuerySet

from registry.models import (
    HISTORY,
    Correction,
    Flag,
    FlagDecision,
    Material,
    PooledEstimate,
    PoolingRun,
    Retrieval,
    RunState,
    Trial,
    Upload,
    UploadState,
)

# Relative; a smaller change is below what any balance tells (common practice, no source).
MOVED_ABOVE = 1e-4
Span = tuple[datetime, datetime]
Identity = tuple[int, str, str, str, str, int | None]


@dataclass(frozen=True, slots=True)
class Moved:
    """One estimate in both runs. `in_errors` is the change in standard errors of the former, on the
    scale of the model; None where the former has none."""

    now: PooledEstimate
    before: PooledEstimate
    in_errors: float | None


@dataclass(frozen=True, slots=True)
class Causes:
    """What came in between the two runs. `new_looks` counts looks by material id."""

    uploads: tuple[tuple[str, int, int], ...]  # kind, uploads, new rows
    new_looks: dict[int, int]
    corrections: tuple[Correction, ...]
    excluded: tuple[Flag, ...]
    taken_back: tuple[Flag, ...]
    trial_changed: bool
    model_changed: bool

    def looks_of(self, material: int) -> tuple[int, int, int]:
        """New, corrected, and excluded or taken back: how many of one material."""
        corrected = [c for c in self.corrections if c.retrieval.bag.material_id == material]
        switched = [f for f in (*self.excluded, *self.taken_back) if _is_about(f, material)]
        return self.new_looks.get(material, 0), len(corrected), len(switched)


@dataclass(frozen=True, slots=True)
class RunChanges:
    """`moved` by size of the change; `appeared` and `vanished` are in one of the runs alone."""

    previous: PoolingRun
    moved: tuple[Moved, ...]
    n_unmoved: int
    appeared: tuple[PooledEstimate, ...]
    vanished: tuple[PooledEstimate, ...]
    causes: Causes


def changes_since_last_run(run: PoolingRun, material: Material | None = None) -> RunChanges | None:
    """Against the finished run before this one; None for a first run. A fixed number of queries."""
    finished = PoolingRun.objects.filter(trial=run.trial_id, state=RunState.DONE, pk__lt=run.pk)
    previous = finished.order_by("-pk").first()
    return None if previous is None else changes_between(previous, run, material)


def changes_between(
    previous: PoolingRun, run: PoolingRun, material: Material | None = None
) -> RunChanges:
    """Of two finished runs of one trial."""
    before, now = _estimates(previous, material), _estimates(run, material)
    both = [(before[key], now[key]) for key in now if key in before]
    moved = [Moved(new, old, _in_errors(old, new)) for old, new in both if _differs(old, new)]
    return RunChanges(
        previous=previous,
        moved=tuple(sorted(moved, key=_size, reverse=True)),
        n_unmoved=len(both) - len(moved),
        appeared=tuple(now[key] for key in now if key not in before),
        vanished=tuple(before[key] for key in before if key not in now),
        causes=_causes(previous, run, material),
    )


def _estimates(run: PoolingRun, material: Material | None) -> dict[Identity, PooledEstimate]:
    rows = run.estimates.filter(heat_class="all").select_related("material")
    if material is not None:
        rows = rows.filter(material=material)
    ordered = rows.order_by("material__name", "outcome", "model", "day")
    return {
        (e.material_id, e.outcome, e.model, e.heat_class, e.time_scale, e.day): e for e in ordered
    }


def _differs(old: PooledEstimate, new: PooledEstimate) -> bool:
    pairs = ((old.estimate, new.estimate), (old.ci_low, new.ci_low), (old.ci_high, new.ci_high))
    return any(not _same(one, other) for one, other in pairs)


def _same(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=MOVED_ABOVE)


def _in_errors(old: PooledEstimate, new: PooledEstimate) -> float | None:
    if old.log_standard_error and old.log_estimate is not None and new.log_estimate is not None:
        return (new.log_estimate - old.log_estimate) / old.log_standard_error
    if old.standard_error and old.estimate is not None and new.estimate is not None:
        return (new.estimate - old.estimate) / old.standard_error
    return None


def _size(moved: Moved) -> float:
    return abs(moved.in_errors) if moved.in_errors is not None else math.inf


def _causes(previous: PoolingRun, run: PoolingRun, material: Material | None) -> Causes:
    # A run reads its data when a worker takes it up.
    span = (previous.started_at or previous.requested_at, run.started_at or run.requested_at)
    trial = run.trial
    uploads = Upload.objects.filter(
        trial=trial, state=UploadState.STORED, finished_at__range=span, created__gt=0
    )
    return Causes(
        uploads=_uploads(uploads),
        new_looks=_new_looks(uploads),
        corrections=tuple(_corrections(trial, span, material)),
        excluded=_about(
            _flags(trial).filter(decision=FlagDecision.EXCLUDE, decided_at__range=span), material
        ),
        taken_back=_about(_taken_back(trial, span), material),
        trial_changed=_trial_changed(trial, span),
        model_changed=previous.model_version != run.model_version,
    )


def _uploads(uploads: QuerySet[Upload]) -> tuple[tuple[str, int, int], ...]:
    counted: Counter[str] = Counter()
    rows: Counter[str] = Counter()
    for kind, created in uploads.order_by("kind").values_list("kind", "created"):
        counted[kind] += 1
        rows[kind] += created
    return tuple((kind, n, rows[kind]) for kind, n in counted.items())


def _new_looks(uploads: QuerySet[Upload]) -> dict[int, int]:
    ids = list(uploads.filter(kind="retrievals").order_by().values_list("pk", flat=True))
    rows = Retrieval.objects.filter(upload__in=ids).order_by().values_list("bag__material")
    return dict(rows.annotate(n=Count("pk"))) if ids else {}


def _trial_changed(trial: Trial, span: Span) -> bool:
    """Was a setting that the pooling reads another one before?"""
    names = ("detection_limit", "primary_day", "window_days", "schedule_days")
    present = Q(**{name: getattr(trial, name) for name in names})
    present &= Q(reference_material=trial.reference_material_id)
    former = HISTORY[Trial]._default_manager.filter(pgh_obj=trial.pk, pgh_created_at__range=span)
    return former.exclude(present).exists()


def _corrections(trial: Trial, span: Span, material: Material | None) -> Iterable[Correction]:
    rows = Correction.objects.filter(retrieval__bag__trial=trial, made_at__range=span)
    if material is not None:
        rows = rows.filter(retrieval__bag__material=material)
    return rows.select_related("retrieval__bag", "made_by_user", "made_by_token").order_by("pk")


def _flags(trial: Trial) -> QuerySet[Flag]:
    related = ("pile__site", "bag", "retrieval__bag", "decided_by")
    return Flag.objects.filter(pile__trial=trial).select_related(*related).order_by("pk")


def _about(flags: QuerySet[Flag], material: Material | None) -> tuple[Flag, ...]:
    return tuple(flag for flag in flags if material is None or _is_about(flag, material.pk))


def _taken_back(trial: Trial, span: Span) -> QuerySet[Flag]:
    """Excluded once, and no longer: a former state says so."""
    former = HISTORY[Flag]._default_manager.filter(
        decision=FlagDecision.EXCLUDE, pgh_created_at__range=span, pile__trial=trial
    )
    now_in = ~Q(decision=FlagDecision.EXCLUDE)
    return _flags(trial).filter(now_in, pk__in=former.values("pgh_obj_id"))


def _is_about(flag: Flag, material: int) -> bool:
    bag = flag.retrieval.bag if flag.retrieval is not None else flag.bag
    return bag is None or bag.material_id == material
