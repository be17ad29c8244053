"""What the registry now believes about a lab's bags: one row per pile and material."""

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from registry.models import Flag, FlagDecision, Material, Pile
from registry.permissions import Actor, visible_to
from registry.queries.quality_input import ReviewedLooks, looks_by_trial
from registry.science.types import BoolArray, LookOutcome

MOST_PILES = 60


@dataclass(frozen=True, slots=True)
class Belief:
    """One material in one pile.

    `lost` is the mean fraction of the dry start mass gone on `last_day`, over `n_bags` sample bags
    that were weighed then and not left out; None before the first weighing. Never clipped.
    """

    pile: Pile
    material: Material
    n_looks: int
    n_missing: int
    n_left_out: int
    n_questions: int
    last_day: int | None
    lost: float | None
    n_bags: int


def beliefs(actor: Actor) -> list[Belief]:
    """Rows of the actor's own sites in trials under way, by site, pile and material.

    A fixed number of queries for each trial.
    """
    piles = {
        pile.pk: pile
        for pile in Pile.objects.filter(
            site__in=actor.sites(), trial__state__in=("registered", "running")
        )
        .select_related("site")
        .order_by("site__name", "code")[:MOST_PILES]
    }
    questions = _questions(actor, list(piles))
    found = [
        row
        for reviewed in looks_by_trial(list(piles))
        for row in _of_trial(reviewed, piles, questions)
    ]
    return sorted(found, key=_order)


def _order(row: Belief) -> tuple[str, str, str]:
    return row.pile.site.name, row.pile.code, row.material.name


def _of_trial(
    reviewed: ReviewedLooks, piles: dict[int, Pile], questions: dict[tuple[int, int], int]
) -> list[Belief]:
    table = reviewed.table
    materials = Material.objects.in_bulk(np.unique(table.material).tolist())
    pairs = np.unique(np.column_stack([table.pile, table.material]), axis=0)
    return [
        _belief(
            reviewed,
            (table.pile == pile) & (table.material == material),
            piles[pile],
            materials[material],
            questions.get((pile, material), 0),
        )
        for pile, material in pairs.tolist()
    ]


def _belief(
    reviewed: ReviewedLooks, mine: BoolArray, pile: Pile, material: Material, questions: int
) -> Belief:
    table = reviewed.table
    weighed = mine & ~reviewed.excluded & np.isfinite(table.mass)
    last = int(table.day[weighed].max()) if weighed.any() else None
    on_last = weighed & (table.day == last) if last is not None else weighed
    missing = np.isin(table.outcome, (LookOutcome.BAG_LOST, LookOutcome.BAG_DAMAGED))
    return Belief(
        pile=pile,
        material=material,
        n_looks=int(mine.sum()),
        n_missing=int((mine & missing).sum()),
        n_left_out=int((mine & reviewed.excluded).sum()),
        n_questions=questions,
        last_day=last,
        lost=None if last is None else float(1.0 - table.mass[on_last].mean()),
        n_bags=int(on_last.sum()),
    )


def _questions(actor: Actor, piles: list[int]) -> dict[tuple[int, int], int]:
    """(pile, material) → questions that wait for a decision, on its looks and bags."""
    rows = visible_to(actor, Flag).filter(pile__in=piles, decision=FlagDecision.WAITING)
    found: dict[tuple[int, int], int] = defaultdict(int)
    named = ("pile_id", "retrieval__bag__material_id", "bag__material_id")
    for pile, of_look, of_bag in rows.order_by().values_list(*named):
        if (material := of_look or of_bag) is not None:
            found[pile, material] += 1
    return found
