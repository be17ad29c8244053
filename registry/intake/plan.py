"""What an upload would store: one value per row and database column, and how rows are known."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from django.db.models import Model

from registry.intake.faults import FaultBook
from registry.intake.table import BoolArray, IntArray, Table

TALLY_TIMES = 8


@dataclass(frozen=True)
class Plan:
    """The rows of one upload in the shape of the database.

    `values` are (n_rows,) arrays by database column; `key` names the columns that identify a record
    and `key_field` the upload column to blame. `where` narrows the search for stored rows. `site`
    and `trial` are (n_rows,) ids, −1 unknown. `rules` runs once stored rows are matched: it is
    given which rows are new, and the stored rows found by `where`.
    """

    model: type[Model]
    values: dict[str, pa.Array]
    key: tuple[str, ...]
    key_field: str
    where: Mapping[str, Sequence[Any]]
    site: IntArray
    trial: IntArray
    # (n_rows,) piles whose quality rules the rows may touch.
    pile: IntArray | None = None
    trial_field: str = "trial"
    rules: Callable[[Table, FaultBook, BoolArray, pa.Table], None] | None = None
    # Stored rows of others that the sender may not see, by position of the stored row.
    hidden: Callable[[pa.Table], BoolArray] | None = None
    # What was corrected of some stored rows, by position of the row and upload column.
    corrected: Callable[[pa.Table, IntArray], Mapping[int, Mapping[str, str]]] | None = None
    # Names of database columns as the uploader knows them.
    sent_names: Mapping[str, str] = field(default_factory=dict)
    constants: Mapping[str, Any] = field(default_factory=dict)


def ids(numbers: IntArray) -> pa.Array:
    """Ids as a column, NULL where unknown."""
    return pa.array(numbers, pa.int64(), mask=numbers < 0)


def known(numbers: IntArray) -> list[int]:
    """Distinct known ids, ascending."""
    given = numbers[numbers >= 0]
    # Ids of one file lie close together: a tally is ten times as fast as sorting them.
    if given.size and given.max() - given.min() < TALLY_TIMES * given.size:
        lowest = given.min()
        return (np.flatnonzero(np.bincount(given - lowest)) + lowest).tolist()
    return np.unique(given).tolist()


def whole(table: Table, name: str) -> pa.Array:
    """A column of whole numbers."""
    return pc.cast(table.column(name), pa.int64())


def plain_columns(table: Table, *names: str) -> dict[str, pa.Array]:
    """Numbers and dates under the names they were sent with."""
    return {name: table.column(name) for name in names}


def text_columns(table: Table, *names: str) -> dict[str, pa.Array]:
    """Texts under the names they were sent with, "" where blank."""
    return {name: table.texts(name) for name in names}
