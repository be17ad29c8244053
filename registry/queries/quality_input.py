"""What the quality rules read: looks and bags of some piles, as arrays."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from registry.columns import OUTCOMES, PURPOSES
from registry.models import Material, Pile
from registry.queries.binary_columns import place_in, read_columns
from registry.queries.exclusions import LOOK_IS_EXCLUDED
from registry.science.mass_balance import BagMasses, weigh
from registry.science.quality_rules import BagTable, LookTable
from registry.science.types import BoolArray, FloatArray, IntArray

PER_CENT = 0.01


@dataclass(frozen=True)
class ReviewedLooks:
    """Looks of some piles of one trial, what is left out, and what the rules must know besides."""

    table: LookTable
    excluded: BoolArray
    roles: dict[int, str]
    agreed_day: float


# Whole numbers of a look in one: each column costs as much as all the rules about it.
_NUMBERS = {
    "outcome": (place_in("look.outcome", OUTCOMES), 8),
    "purpose": (place_in("bag.purpose", PURPOSES), 4),
    "reburied": ("look.reburied::integer", 2),
    "excluded": (f"({LOOK_IS_EXCLUDED})::integer", 2),
    # Blank is 0, so a score or a plan counts from 1.
    "fragmentation": ("coalesce(look.fragmentation + 1, 0)", 8),
    "planned": ("coalesce(bag.planned_days + 1, 0)", 2**20),
    "day": ("(look.retrieved_on - bag.buried_on)", 2**20),
}


def _packed() -> str:
    weight, terms = 1, []
    for expression, size in _NUMBERS.values():
        terms.append(f"{weight}::bigint * {expression}")
        weight *= size
    return " + ".join(terms)


_LOOKS = f"""
SELECT look.id, bag.pile_id, bag.material_id, {_packed()} AS numbers,
       bag.initial_mass_g AS initial, coalesce(bag.initial_moisture_pct, 0) AS moisture,
       coalesce(look.dry_mass_g, 'NaN') AS dry, coalesce(look.ash_pct, 'NaN') AS ash,
       coalesce(look.contaminant_ash_pct, 'NaN') AS contaminant
  FROM registry_retrieval look JOIN registry_bag bag ON bag.id = look.bag_id
 WHERE bag.pile_id = ANY(%s)
"""
_LOOK_COLUMNS = {
    **dict.fromkeys(("id", "pile_id", "material_id", "numbers"), "bigint"),
    **dict.fromkeys(("initial", "moisture", "dry", "ash", "contaminant"), "float8"),
}

# A batch is what one site cut from one material: the next site's bags are none of its business.
_BAGS = """
SELECT bag.id, bag.pile_id, bag.material_id,
       pile.site_id, (bag.purpose = 'empty')::integer AS is_empty, bag.initial_mass_g AS initial
  FROM registry_bag bag JOIN registry_pile pile ON pile.id = bag.pile_id
 WHERE bag.pile_id = ANY(%s)
"""
_BAG_COLUMNS = {
    **dict.fromkeys(("id", "pile_id", "material_id", "site_id"), "bigint"),
    "is_empty": "integer",
    "initial": "float8",
}


def looks_by_trial(pile_ids: Sequence[int]) -> list[ReviewedLooks]:
    """Every look at the bags of these piles, one table per trial."""
    trials: dict[int, list[int]] = {}
    settings = {}
    rows = Pile.objects.filter(pk__in=pile_ids).values_list(
        "pk", "trial_id", "trial__window_days", "trial__primary_day"
    )
    for pile, trial, window, primary in rows.order_by("pk"):
        trials.setdefault(trial, []).append(pile)
        settings[trial] = (float(window), float(primary))
    return [_reviewed(piles, *settings[trial]) for trial, piles in trials.items()]


def bags_of_batches(pile_ids: Sequence[int]) -> tuple[BagTable, list[int]]:
    """The bags of every batch that has bags in these piles, and the ids of all piles with some."""
    places = Pile.objects.filter(pk__in=pile_ids).values_list("site_id", "trial_id").distinct()
    piles = [
        pile
        for site, trial in places.order_by()
        for pile in Pile.objects.filter(site=site, trial=trial).values_list("pk", flat=True)
    ]
    found = read_columns(_BAGS, [piles], _BAG_COLUMNS)
    most = int(found["material_id"].max(initial=0)) + 1
    table = BagTable(
        bag=found["id"],
        pile=found["pile_id"],
        batch=found["site_id"] * most + found["material_id"],
        initial_mass_g=found["initial"],
        is_empty=found["is_empty"].astype(bool),
    )
    return table, piles


def _reviewed(piles: list[int], window: float, primary: float) -> ReviewedLooks:
    found = read_columns(_LOOKS, [piles], _LOOK_COLUMNS)
    numbers = _unpacked(found["numbers"])
    materials = np.unique(found["material_id"])
    known = Material.objects.in_bulk(materials.tolist())
    start_ash = np.array([_fraction(known[pk].initial_ash_pct) for pk in materials.tolist()])
    ash_start = start_ash[np.searchsorted(materials, found["material_id"])]
    balance = weigh(_masses(found, ash_start))
    table = LookTable(
        look=found["id"],
        pile=found["pile_id"],
        material=found["material_id"],
        day=numbers["day"],
        outcome=numbers["outcome"].astype(np.int8),
        purpose=numbers["purpose"].astype(np.int8),
        remaining=balance.remaining,
        ash_corrected=balance.ash_corrected,
        ash=found["ash"] * PER_CENT,
        ash_start=ash_start,
        fragmentation=_from_one(numbers["fragmentation"]),
        planned_days=_from_one(numbers["planned"]),
        window_days=np.full(len(found["id"]), window),
        reburied=numbers["reburied"].astype(bool),
    )
    roles = {pk: material.role for pk, material in known.items()}
    return ReviewedLooks(table, numbers["excluded"].astype(bool), roles, primary)


def _unpacked(packed: IntArray) -> dict[str, IntArray]:
    numbers = {}
    for name, (_, size) in _NUMBERS.items():
        packed, numbers[name] = np.divmod(packed, size)
    return numbers


def _from_one(numbers: IntArray) -> FloatArray:
    return np.where(numbers > 0, numbers - 1.0, np.nan)


def _masses(found: dict[str, NDArray[Any]], ash_start: FloatArray) -> BagMasses:
    missing = np.full(ash_start.size, np.nan)
    return BagMasses(
        initial_mass_g=found["initial"],
        initial_moisture=found["moisture"] * PER_CENT,
        dry_mass_g=found["dry"],
        wet_mass_g=missing,
        residue_moisture=missing,
        initial_ash=ash_start,
        residue_ash=found["ash"] * PER_CENT,
        contaminant_ash=found["contaminant"] * PER_CENT,
        ash_conserved=np.ones(ash_start.size, dtype=bool),
    )


def _fraction(percent: float | None) -> float:
    return np.nan if percent is None else percent * PER_CENT
