"""What the controls say of every pile: derived columns of `piles`, by the gates pooling uses."""

import pandas as pd

from registry.packages.heat import PILE_KEY
from registry.packages.looks import looks_of, pooling_settings
from registry.packages.shapes import Tables
from registry.science.controls import Gate, PileGates, pile_gates

UNSEEN = {"negative_control": Gate.NOT_CHECKED.value, "positive_control": Gate.NOT_CHECKED.value}


def with_gates(tables: Tables) -> pd.DataFrame:
    """`tables["piles"]` with its control columns; `tables` must hold the other derived columns."""
    looks = looks_of(tables)
    primary_day, _ = pooling_settings(tables)
    found = {
        (looks.site_labels[looks.pile_site[gate.pile]], looks.pile_labels[gate.pile]): gate
        for gate in pile_gates(looks, agreed_day=primary_day)
    }
    piles = tables["piles"].copy()
    keys = list(piles[PILE_KEY].itertuples(index=False, name=None))
    said = [_columns(found[key]) if key in found else UNSEEN for key in keys]
    for name in ("negative", "positive"):
        for column in (f"{name}_control", f"{name}_control_remaining"):
            values = [row.get(column) for row in said]
            piles[column] = pd.Series(values, index=piles.index, dtype=object)
    return piles


def _columns(gate: PileGates) -> dict[str, object]:
    return {
        "negative_control": gate.negative.value,
        "negative_control_remaining": gate.negative_remaining,
        "positive_control": gate.positive.value,
        "positive_control_remaining": gate.positive_remaining,
    }
