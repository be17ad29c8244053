"""Bags: one material each, in one pile of the trial."""

from collections.abc import Callable

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from registry.columns import BAGS, Kind
from registry.intake.faults import FaultBook
from registry.intake.kinds.piles import EPOCH_ORDINAL, pile_ids, site_ids
from registry.intake.labels import (
    UNKNOWN,
    Matched,
    PileRow,
    Sender,
    match_materials,
    match_piles,
    match_trials,
)
from registry.intake.plan import Plan, ids, known, plain_columns, text_columns, whole
from registry.intake.table import NO_DAY, BoolArray, IntArray, Table
from registry.models import Bag, Pile, Trial

# A lookup by so many labels costs more than reading the trial's bags.
MOST_LABELS_ASKED = 20_000


def plan_bags(table: Table, book: FaultBook, sender: Sender) -> Plan:
    trials = match_trials(table, book, sender)
    piles = match_piles(table, book, sender)
    materials = match_materials(table, book, sender)
    trial = trials.ids([found.pk for found in trials.records])
    material = materials.ids([found.pk for found in materials.records])
    _refuse_other_trials_pile(table, book, trial, piles)
    _refuse_material_outside(table, book, trial, material)
    _refuse_burial_before_pile(table, book, piles)
    numbers = [column.name for column in BAGS.columns if column.kind is Kind.NUMBER]
    labels = table.column("bag_label")
    where = {"trial_id": known(trial)}
    if table.rows <= MOST_LABELS_ASKED:
        where["label"] = [label for label in pc.unique(labels).to_pylist() if label]
    pile = pile_ids(piles)
    return Plan(
        model=Bag,
        values={
            "trial_id": ids(trial),
            "pile_id": ids(pile),
            "label": labels,
            "material_id": ids(material),
            **plain_columns(table, "buried_on", *numbers),
            **{name: whole(table, name) for name in ("pieces", "planned_days")},
            **text_columns(table, "stratum"),
            "purpose": pc.fill_null(table.column("purpose"), "sample"),
        },
        key=("trial_id", "label"),
        key_field="bag_label",
        where=where,
        site=site_ids(piles),
        pile=pile,
        trial=trial,
        hidden=_at_other_sites(sender),
        sent_names={"pile_id": "pile", "material_id": "material"},
    )


def _refuse_other_trials_pile(
    table: Table, book: FaultBook, trial: IntArray, piles: Matched[PileRow]
) -> None:
    of_pile = piles.ids([pile.trial_id for pile in piles.records])
    wrong = (trial != UNKNOWN) & (of_pile != UNKNOWN) & (trial != of_pile)
    table.refuse(
        book,
        wrong,
        "pile",
        lambda row: (
            "pile_of_other_trial",
            f"Pile {table.column('pile')[row]} was registered for another trial than "
            f"{table.column('trial')[row]}.",
        ),
    )


def _refuse_material_outside(
    table: Table, book: FaultBook, trial: IntArray, material: IntArray
) -> None:
    pairs = set(
        Trial.materials.through.objects.filter(trial__in=known(trial)).values_list(
            "trial_id", "material_id"
        )
    )
    rows = zip(trial.tolist(), material.tolist(), strict=True)
    inside = np.array([pair in pairs for pair in rows], dtype=bool)
    wrong = (trial != UNKNOWN) & (material != UNKNOWN) & ~inside
    table.refuse(
        book,
        wrong,
        "material",
        lambda row: (
            "material_not_in_trial",
            f"Material {table.column('material')[row]} is not part of trial "
            f"{table.column('trial')[row]}. Ask a coordinator to add it.",
        ),
    )


def _refuse_burial_before_pile(table: Table, book: FaultBook, piles: Matched[PileRow]) -> None:
    built = piles.ids([pile.started_on.toordinal() - EPOCH_ORDINAL for pile in piles.records])
    buried = table.days("buried_on")
    early = (piles.index != UNKNOWN) & (buried != NO_DAY) & (buried < built)
    table.refuse(
        book,
        early,
        "buried_on",
        lambda row: (
            "buried_before_pile",
            f"Pile {table.column('pile')[row]} was built on "
            f"{piles.records[piles.index[row]].started_on}; the bag cannot be in it on "
            f"{table.column('buried_on')[row]}.",
        ),
    )


def _at_other_sites(sender: Sender) -> Callable[[pa.Table], BoolArray]:
    """Which stored bags lie in piles that the sender may not write to."""

    def hidden(stored: pa.Table) -> BoolArray:
        piles = stored["pile_id"].to_numpy()
        places = {
            pk: (site, trial)
            for pk, site, trial in Pile.objects.filter(
                pk__in=np.unique(piles).tolist()
            ).values_list("pk", "site_id", "trial_id")
        }
        may = {pk: sender.may_write(*place) for pk, place in places.items()}
        return np.array([not may[pk] for pk in piles.tolist()], dtype=bool)

    return hidden
