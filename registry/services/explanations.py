"""The exploratory part of a pooling run: asked after pooling, stored with it."""

from collections.abc import Iterable
from dataclasses import fields
from typing import Any

from registry.models import ExplainedRate, Explanation, Material, Pile, PoolingRun, Site
from registry.queries.pooling_input import PoolingInput
from registry.science import explanation_types as science
from registry.science.explanation_fits import rows_of_materials
from registry.science.explanations import explain_trial
from registry.science.pile_rates import PileRate, pile_rates
from registry.science.types import PooledEstimate
from registry.services.estimate_rows import copy_rows


def explain(
    gathered: PoolingInput, estimates: Iterable[PooledEstimate]
) -> tuple[science.Explanation, ...]:
    """What may go with the rates just pooled."""
    piles: tuple[PileRate, ...] = ()
    # Piles are only set against their heat: without any, they need no rates here.
    if gathered.warmth:
        piles = pile_rates(
            gathered.looks,
            primary_day=gathered.primary_day,
            schedule_days=gathered.schedule_days,
        )
    return explain_trial(rows_of_materials(estimates), piles, gathered.materials, gathered.warmth)


def store(run: PoolingRun, explained: Iterable[science.Explanation]) -> None:
    """Within the transaction that finishes the run."""
    materials = dict(Material.objects.values_list("code", "pk"))
    sites = dict(Site.objects.values_list("code", "pk"))
    in_trial = Pile.objects.filter(trial=run.trial).values_list("site__code", "code", "pk")
    piles = {(site, pile): pk for site, pile, pk in in_trial}
    told = list(explained)
    rows = [
        Explanation(
            run=run,
            material_id=None if found.material is None else materials[found.material],
            other_id=None if found.other is None else materials[found.other],
            **_columns(found, without=("material", "other", "points")),
        )
        for found in told
    ]
    Explanation.objects.bulk_create(rows)
    points = [
        {
            "explanation_id": row.pk,
            "material_id": materials[point.material],
            "site_id": sites[point.site],
            "pile_id": None if point.pile is None else piles[point.site, point.pile],
            **_columns(point, without=("material", "site", "pile")),
        }
        for row, found in zip(rows, told, strict=True)
        for point in found.points
    ]
    copy_rows(ExplainedRate, points)


def _columns(record: Any, *, without: tuple[str, ...]) -> dict[str, Any]:
    return {
        field.name: getattr(record, field.name)
        for field in fields(record)
        if field.name not in without
    }
