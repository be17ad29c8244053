"""A table of sent rows → what would be stored, or every reason why not."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from django.db.models import Model

from registry.errors import NotAllowed, UploadRefused
from registry.intake import locks
from registry.intake.arrow_rows import insert
from registry.intake.faults import FaultBook
from registry.intake.kinds.bags import plan_bags
from registry.intake.kinds.materials import plan_compositions, plan_materials
from registry.intake.kinds.piles import plan_feedstocks, plan_piles, plan_turnings
from registry.intake.kinds.retrievals import plan_retrievals
from registry.intake.kinds.temperatures import plan_temperatures
from registry.intake.labels import Sender
from registry.intake.plan import Plan, known
from registry.intake.probe_days import merge_readings
from registry.intake.stored import Matches, match_stored
from registry.intake.table import IntArray, Table, always
from registry.models import ProbeDay, Trial, TrialState

PLANS: dict[str, Callable[[Table, FaultBook, Sender], Plan]] = {
    "materials": plan_materials,
    "compositions": plan_compositions,
    "piles": plan_piles,
    "feedstocks": plan_feedstocks,
    "turnings": plan_turnings,
    "bags": plan_bags,
    "retrievals": plan_retrievals,
}
NOT_OPEN = {
    TrialState.DRAFT: (
        "trial_not_registered",
        "Trial {} is a draft still; rows are taken once a coordinator has registered it.",
    ),
    TrialState.CLOSED: ("trial_closed", "Trial {} is closed and takes no more rows."),
}


@dataclass(frozen=True)
class Prepared:
    """Rows without a fault. `write(upload_id)` stores the new ones."""

    rows: int
    created: int
    unchanged: int
    site_ids: list[int]
    trial_ids: list[int]
    pile_ids: list[int]
    model: type[Model]
    first_key: dict[str, Any]
    write: Callable[[int], None]


def prepare(table: Table, book: FaultBook, sender: Sender, *, lock: bool) -> Prepared:
    """Check what the rows mean. Raises UploadRefused with every fault, NotAllowed when every row
    belongs to sites the sender may not write to. With `lock`, in a transaction, until its end."""
    if table.kind.name == "temperatures":
        return _prepare_temperatures(table, book, sender, lock=lock)
    plan = PLANS[table.kind.name](table, book, sender)
    if lock:
        _lock(plan.trial, plan.site)
    _refuse_unopen(table, book, plan.trial, plan.trial_field)
    matches = match_stored(table, book, plan)
    if plan.rules is not None:
        plan.rules(table, book, matches.new, matches.stored)
    refuse_if_faulty(table, book, sender)
    return _prepared(table, plan, matches)


def refuse_if_faulty(table: Table, book: FaultBook, sender: Sender) -> None:
    if not book.total:
        return
    faults = book.told()
    if sender.foreign_rows == table.rows:
        raise NotAllowed(faults[0].message, faults=faults, fault_total=book.total)
    rows = "1 row" if table.rows == 1 else f"{table.rows:,} rows"
    count = "1 fault" if book.total == 1 else f"{book.total:,} faults"
    raise UploadRefused(
        f"{count} in {rows}; nothing was stored. Mend the rows listed and send the whole file "
        "again.",
        faults=faults,
        fault_total=book.total,
    )


def _prepared(table: Table, plan: Plan, matches: Matches) -> Prepared:
    new = matches.new
    created = int(new.sum())

    def write(upload_id: int) -> None:
        if created:
            insert(plan.model, _rows_to_write(table, plan, new, upload_id))

    return Prepared(
        rows=table.rows,
        created=created,
        unchanged=table.rows - created,
        site_ids=known(plan.site),
        trial_ids=known(plan.trial),
        pile_ids=[] if plan.pile is None else known(plan.pile),
        model=plan.model,
        first_key={name: plan.values[name][0].as_py() for name in plan.key},
        write=write,
    )


def _rows_to_write(
    table: Table, plan: Plan, new: np.ndarray, upload_id: int
) -> dict[str, pa.Array]:
    columns = dict(plan.values)
    columns["upload_row"] = pa.array(np.arange(1, table.rows + 1))
    for name, value in {"upload_id": upload_id, **plan.constants}.items():
        columns[name] = pa.repeat(value, table.rows)
    if new.all():
        return columns
    keep = pa.array(new)
    return {name: pc.filter(values, keep) for name, values in columns.items()}


def _prepare_temperatures(table: Table, book: FaultBook, sender: Sender, *, lock: bool) -> Prepared:
    readings = plan_temperatures(table, book, sender)
    if lock:
        _lock(readings.trial, readings.site)
    _refuse_unopen(table, book, readings.trial, "pile")
    merged = merge_readings(table, book, readings)
    refuse_if_faulty(table, book, sender)
    return Prepared(
        rows=table.rows,
        created=merged.created,
        unchanged=table.rows - merged.created,
        site_ids=known(readings.site),
        trial_ids=known(readings.trial),
        pile_ids=sorted({pile for pile, _ in readings.pairs}),
        model=ProbeDay,
        first_key=readings.first_key(),
        write=merged.write,
    )


def _lock(trial: IntArray, site: IntArray) -> None:
    locks.share_trials(known(trial))
    locks.hold_sites(known(site) or [locks.NO_SITE])


def _refuse_unopen(table: Table, book: FaultBook, trial: IntArray, column: str) -> None:
    """Only a registered or running trial takes rows; read after the lock, so it stays true."""
    states = Trial.objects.filter(pk__in=known(trial), state__in=NOT_OPEN).values_list(
        "pk", "state", "code"
    )
    for pk, state, code in states:
        fault, message = NOT_OPEN[TrialState(state)]
        table.refuse(book, trial == pk, column, always(fault, message.format(code)))
