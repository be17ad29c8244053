"""What may go with the rates: computed from the effect sizes, the piles' heat and the make of the
materials, as they stand in the package."""

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import pandas as pd

from registry.packages.shapes import Tables
from registry.packages.tables import EXPLANATIONS
from registry.science.explanation_types import Row
from registry.science.explanations import Warmth, explain_trial
from registry.science.formulation import Component, MaterialFacts
from registry.science.looks import UNKNOWN_HEAT
from registry.science.pile_rates import PileRate

COLUMNS = list(EXPLANATIONS.column_names)


def explanations(tables: Tables, effects: pd.DataFrame) -> pd.DataFrame:
    """The table of explanations; `effects` are the effect sizes of the same tables."""
    rates = effects[effects["measure"] == "log_decay_rate"]
    found = explain_trial(_of_sites(rates), _of_piles(rates), facts_of(tables), _warmth(tables))
    rows = [asdict(item) for item in found]
    return pd.DataFrame.from_records(rows, columns=COLUMNS).astype({"qe_df": "Int64"})


def facts_of(tables: Tables) -> tuple[MaterialFacts, ...]:
    """What is known of each material before it is buried."""
    parts = {
        code: tuple(
            Component(str(row.component), str(row.function), float(row.mass_pct))
            for row in rows.sort_values("component").itertuples()
        )
        for code, rows in tables["compositions"].groupby("material")
    }
    return tuple(
        MaterialFacts(
            code=row.material,
            form=row.form,
            role=row.role,
            thickness_um=None if pd.isna(row.thickness_um) else float(row.thickness_um),
            coating="" if pd.isna(row.coating) else str(row.coating),
            components=parts.get(row.material, ()),
        )
        for row in tables["materials"].itertuples()
    )


def _of_sites(rates: pd.DataFrame) -> dict[str, list[Row]]:
    known = rates[(rates["level"] == "site") & (rates["variance"] > 0)]
    found: dict[str, list[Row]] = {}
    for row in known.itertuples():
        one = Row(row.material, row.site, None, float(row.effect), float(row.variance))
        found.setdefault(row.material, []).append(one)
    return found


def _of_piles(rates: pd.DataFrame) -> list[PileRate]:
    return [
        PileRate(row.material, row.site, row.pile, float(row.effect), float(row.variance))
        for row in rates[rates["level"] == "pile"].itertuples()
    ]


def _warmth(tables: Tables) -> dict[tuple[str, str], Warmth]:
    return dict(_warm_piles(tables))


def _warm_piles(tables: Tables) -> Iterator[tuple[Any, Warmth]]:
    for row in tables["piles"].itertuples():
        known = isinstance(row.heat_class, str) and row.heat_class != UNKNOWN_HEAT
        if known and not pd.isna(row.mean_c):
            yield (row.site, row.pile), Warmth(float(row.mean_c), float(row.hours_above_55))
