"""Figures of estimates, drawn when a run is finished and kept; a missing one is drawn once."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from django.conf import settings
from django.db import connection
from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery
from django.utils.translation import get_language

from registry.figures.listed import DRAWING_VERSION, FIGURES, drawn, languages_of
from registry.figures.shapes import FigureKind, Source
from registry.models import Figure, PooledEstimate, PoolingRun, Release, RunState
from registry.services.ratings import MODELS

# "coheap draws" as a number: one worker at a time draws a run.
DRAWING_LOCK = 0x636F_0002


@dataclass(frozen=True, slots=True)
class Kept:
    """One figure as SVG, for wide and for narrow screens; a page shows one of them."""

    wide: str
    narrow: str


def figures_of(wanted: Sequence[tuple[int, str]]) -> dict[str, Kept | None]:
    """Figures by name, of estimates by id, in the reader's language; None where one is not carried.

    One query when all of them are kept. One that is missing, or of an earlier drawing, is drawn
    and kept for the next reader.
    """
    return {name: figure for (_, name), figure in _kept_or_drawn(wanted).items()}


def figure_of_each(pooled_ids: Iterable[int], name: str) -> dict[int, Kept | None]:
    """The same figure of several estimates, by their ids; else as `figures_of`."""
    found = _kept_or_drawn([(pooled_id, name) for pooled_id in pooled_ids])
    return {pooled_id: figure for (pooled_id, _), figure in found.items()}


def _kept_or_drawn(wanted: Sequence[tuple[int, str]]) -> dict[tuple[int, str], Kept | None]:
    language = get_language() or settings.LANGUAGE_CODE
    asked = Q(pk__in=[])
    for pooled_id, name in wanted:
        asked |= Q(pooled=pooled_id, name=name)
    rows = Figure.objects.filter(asked, language=language, drawing=DRAWING_VERSION)
    kept = {(row.pooled_id, row.name): row for row in rows}
    for pooled_id, name in wanted:
        if (pooled_id, name) not in kept:
            row = _figure(source_of(pooled_id), FIGURES[name], language)
            _store([row])
            kept[pooled_id, name] = row
    return {key: Kept(row.wide, row.narrow) if row.wide else None for key, row in kept.items()}


def source_of(pooled_id: int) -> Source:
    """What the figures of one estimate are drawn from."""
    return Source(_sources().get(pk=pooled_id))


def draw_run(run_id: int) -> int:
    """Draw what is missing of a run's figures. Returns for how many estimates; 0 when another
    worker is at it."""
    with _alone_with(run_id) as alone:
        if not alone:
            return 0
        waiting = [found for found in _primary_rates(run_id) if not _is_drawn(found)]
        for estimate in waiting:
            source = Source(estimate)
            _store(_figure(source, kind, language) for kind, language in _ahead(estimate))
        return len(waiting)


def undrawn_runs() -> list[int]:
    """Finished runs that pages show and whose figures are missing or of an earlier drawing."""
    newest = PoolingRun.objects.filter(trial=OuterRef("trial"), state=RunState.DONE)
    shown = Q(pk=Subquery(newest.order_by("-pk").values("pk")[:1])) | Exists(
        Release.objects.filter(run=OuterRef("pk"))
    )
    missing = _rates().filter(~Exists(_present(OuterRef("pk"))), run=OuterRef("pk"))
    runs = PoolingRun.objects.filter(shown, Exists(missing), state=RunState.DONE)
    return list(runs.order_by("pk").values_list("pk", flat=True))


def _rates() -> QuerySet[PooledEstimate]:
    """Rates of the model that comes first; another model's rate is drawn when it is asked for."""
    rates = PooledEstimate.objects.filter(outcome="decay_rate", time_scale="days")
    better = rates.filter(
        run=OuterRef("run"),
        material=OuterRef("material"),
        heat_class=OuterRef("heat_class"),
        model=MODELS[0],
    )
    return rates.filter(Q(model=MODELS[0]) | (Q(model=MODELS[1]) & ~Exists(better)))


def _sources() -> QuerySet[PooledEstimate]:
    parts = ("curve", "sites__site")
    return PooledEstimate.objects.select_related("material", "run__trial").prefetch_related(*parts)


def _primary_rates(run_id: int) -> list[PooledEstimate]:
    return list(_sources().filter(pk__in=_rates().filter(run=run_id)))


def _present(estimate_id: OuterRef | int) -> QuerySet[Figure]:
    """The figure that every rate has in the present drawing, once all of its figures are kept."""
    return Figure.objects.filter(
        pooled=estimate_id,
        name=next(iter(FIGURES)),
        language=settings.LANGUAGE_CODE,
        drawing=DRAWING_VERSION,
    )


def _is_drawn(estimate: PooledEstimate) -> bool:
    return _present(estimate.pk).exists()


def _ahead(estimate: PooledEstimate) -> list[tuple[FigureKind, str]]:
    return [
        (kind, language)
        for kind in FIGURES.values()
        if kind.for_growers or estimate.heat_class == "all"
        for language in languages_of(kind)
    ]


def _figure(source: Source, kind: FigureKind, language: str) -> Figure:
    wide, narrow = drawn(kind, source, language)
    return Figure(
        pooled=source.estimate,
        name=kind.name,
        language=language,
        drawing=DRAWING_VERSION,
        wide=wide,
        narrow=narrow,
    )


def _store(figures: Iterable[Figure]) -> None:
    """All of them or none; whoever drew the same meanwhile is overwritten with the same."""
    Figure.objects.bulk_create(
        figures,
        update_conflicts=True,
        unique_fields=["pooled", "name", "language"],
        update_fields=["drawing", "wide", "narrow"],
    )


@contextmanager
def _alone_with(run_id: int) -> Iterator[bool]:
    """An advisory lock of this connection, not of a transaction: figures are kept one by one."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_lock(%s, %s)", [DRAWING_LOCK, run_id])
        alone = bool(cursor.fetchone()[0])
    try:
        yield alone
    finally:
        if alone:
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_advisory_unlock(%s, %s)", [DRAWING_LOCK, run_id])
