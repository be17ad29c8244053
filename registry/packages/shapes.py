"""What a published table is: named columns, a key, links to other tables, derived columns."""

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from registry.columns import Column, Kind

# The frames of a package by table name.
Tables = Mapping[str, pd.DataFrame]


@dataclass(frozen=True, slots=True)
class ForeignKey:
    """`fields` of this table name a row of `table` by its `reference` columns."""

    fields: tuple[str, ...]
    table: str
    reference: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ExportTable:
    """One table of a package. `derived` columns can be computed from the other columns."""

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    foreign_keys: tuple[ForeignKey, ...] = ()
    derived: frozenset[str] = frozenset()

    @property
    def column_names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)


def number(
    name: str, meaning: str, unit: str, low: float | None = None, high: float | None = None
) -> Column:
    return Column(name, Kind.NUMBER, meaning, unit=unit, low=low, high=high)
