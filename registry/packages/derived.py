"""Columns that follow from others: made when a release is built, made again to check one."""

import pandas as pd

from registry.packages.gates import with_gates
from registry.packages.heat import heat_of_piles
from registry.packages.looks import derived_looks
from registry.packages.piles import derived_piles
from registry.packages.shapes import Tables


def with_derived_columns(tables: Tables) -> dict[str, pd.DataFrame]:
    """The same tables, with every derived column of piles and looks computed from the raw ones.

    The science that computes them is the one the pooling uses, so a package shows exactly what was
    pooled. Raises PackageFault when a look has no bag or a bag no material.
    """
    full = dict(tables)
    heats = heat_of_piles(full)
    full["piles"] = derived_piles(full, heats)
    full["retrievals"] = derived_looks(full, heats)
    full["piles"] = with_gates(full)
    return full
