"""Piles with what follows from their feedstock lines, turnings and temperatures."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from registry.packages.heat import PILE_KEY, PileHeat, PileKey, pile_columns
from registry.packages.shapes import Tables
from registry.packages.tables import BY_NAME, DERIVED_OF_PILE
from registry.science.recipe import Ingredient, mix

DERIVED_NAMES = [column.name for column in DERIVED_OF_PILE]


def derived_piles(tables: Tables, heats: Mapping[PileKey, PileHeat]) -> pd.DataFrame:
    """`piles` with its raw columns kept and every derived one computed anew."""
    piles = tables["piles"].drop(columns=DERIVED_NAMES, errors="ignore")
    lines = dict(list(tables["feedstocks"].groupby(PILE_KEY)))
    rows = []
    for pile in piles.to_dict("records"):
        key = (pile["site"], pile["pile"])
        rows.append(pile | _recipe(pile, lines.get(key)) | pile_columns(heats.get(key)))
    return pd.DataFrame(rows, columns=list(BY_NAME["piles"].column_names), dtype=object)


def _recipe(pile: Mapping[str, Any], lines: pd.DataFrame | None) -> dict[str, Any]:
    if lines is None:
        return {}
    ingredients = [
        Ingredient(
            wet_mass_kg=float(line["wet_mass_kg"]),
            moisture=_fraction(line["moisture_pct"]),
            carbon=_fraction(line["carbon_pct"]),
            nitrogen=_fraction(line["nitrogen_pct"]),
        )
        for line in lines.sort_values("ingredient").to_dict("records")
    ]
    water = pile["water_added_l"]
    found = mix(ingredients, 0.0 if pd.isna(water) else float(water))
    return {
        "recipe_moisture_pct": None if found.moisture is None else 100.0 * found.moisture,
        "recipe_cn_ratio": found.cn_ratio,
    }


def _fraction(percent: Any) -> float | None:
    return None if pd.isna(percent) else float(percent) / 100.0
