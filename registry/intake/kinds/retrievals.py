"""Looks at bags: which bag is meant, and which rows cannot be true of it."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from registry.columns import RETRIEVALS, Kind
from registry.intake.faults import FaultBook
from registry.intake.kinds.looks import Looks, refuse_looks_out_of_order
from registry.intake.kinds.outcomes import refuse_contradictions
from registry.intake.kinds.piles import EPOCH_ORDINAL
from registry.intake.labels import UNKNOWN, Sender, match_trials, refuse_foreign
from registry.intake.plan import Plan, ids, known, plain_columns, text_columns, whole
from registry.intake.rows_copy import fetch
from registry.intake.table import NO_DAY, BoolArray, FloatArray, IntArray, Table
from registry.intake.times import days_in_zone
from registry.models import Bag, Retrieval
from registry.models.retrieval import SCORES
from registry.permissions import visible_to

# Real bags have come up at 501 % of their start mass, full of compost; more is a slip of the
# decimal point or a weighing with the dish.
MOST_TIMES_START = 5.1
MOST_LABELS_ASKED = 20_000
BAG_TYPES = {
    "id": pa.int64(),
    "trial": pa.string(),
    "label": pa.string(),
    "trial_id": pa.int64(),
    "site_id": pa.int64(),
    "zone": pa.string(),
    "buried_on": pa.date32(),
    "initial_mass_g": pa.float64(),
    "initial_moisture_pct": pa.float64(),
    "purpose": pa.string(),
}


@dataclass(frozen=True)
class BagRows:
    """(n_rows,) what each row's bag is; `id` is UNKNOWN and numbers are NaN where none is."""

    id: IntArray
    trial_id: IntArray
    site_id: IntArray
    zone: IntArray
    zones: list[str]
    buried_on: IntArray
    start_dry_g: FloatArray
    is_empty: BoolArray


def plan_retrievals(table: Table, book: FaultBook, sender: Sender) -> Plan:
    match_trials(table, book, sender)
    bags = _match_bags(table, book, sender)
    writable = sender.may_write_rows(bags.site_id, bags.trial_id)
    refuse_foreign(table, book, sender, (bags.id != UNKNOWN) & ~writable, "bag_label")
    bag = np.where(writable, bags.id, UNKNOWN)
    refuse_contradictions(table, book)
    _refuse_impossible_day(table, book, sender, bags)
    _refuse_impossible_mass(table, book, bags)
    numbers = [column.name for column in RETRIEVALS.columns if column.kind is Kind.NUMBER]

    def rules(table: Table, book: FaultBook, new: BoolArray) -> None:
        refuse_looks_out_of_order(table, book, Looks(bag, table.days("retrieved_on")), new)

    return Plan(
        model=Retrieval,
        values={
            "bag_id": ids(bag),
            "retrieved_on": table.column("retrieved_on"),
            **text_columns(table, "outcome"),
            "reburied": pc.equal(table.texts("reburied"), "yes"),
            **plain_columns(table, *numbers),
            **{name: whole(table, name) for name in SCORES},
            **text_columns(table, "observer", "notes"),
        },
        key=("bag_id", "retrieved_on"),
        key_field="retrieved_on",
        where={"bag_id": known(bag)},
        site=bags.site_id,
        trial=bags.trial_id,
        rules=rules,
        constants={"revision": 1},
    )


def _match_bags(table: Table, book: FaultBook, sender: Sender) -> BagRows:
    found = _bags_named(table, sender)
    sent = pc.binary_join_element_wise(table.column("trial"), table.column("bag_label"), "/")
    stored = pc.binary_join_element_wise(found["trial"], found["label"], "/")
    at = pc.index_in(sent, pc.drop_null(stored))
    at = pc.if_else(pc.is_valid(sent), at, None)
    unknown = pc.is_null(at).to_numpy(zero_copy_only=False)
    # A bag of an unknown trial is told once, as the trial.
    unknown &= table.given("trial") & table.given("bag_label") & table.good("trial")
    trials = set(pc.unique(found["trial"]).to_pylist())
    table.refuse(
        book,
        unknown,
        "bag_label",
        lambda row: (
            "unknown_bag",
            f"Trial {table.column('trial')[row]} has no bag {table.column('bag_label')[row]} that "
            f"you may write to. Check the label{_label_hint(table, row, trials)}.",
        ),
    )
    rows = found.take(at)
    return _bag_rows(rows)


def _label_hint(table: Table, row: int, trials: set[str]) -> str:
    return "" if table.column("trial")[row].as_py() in trials else ", and upload the bags first"


def _bags_named(table: Table, sender: Sender) -> pa.Table:
    trials = [code for code in pc.unique(table.column("trial")).to_pylist() if code]
    bags = visible_to(sender.actor, Bag).filter(trial__code__in=trials).order_by()
    if table.rows <= MOST_LABELS_ASKED:
        labels = pc.unique(table.column("bag_label")).to_pylist()
        bags = bags.filter(label__in=[label for label in labels if label])
    return fetch(
        bags.values_list(
            "id",
            "trial__code",
            "label",
            "trial_id",
            "pile__site_id",
            "pile__site__time_zone",
            "buried_on",
            "initial_mass_g",
            "initial_moisture_pct",
            "purpose",
        ),
        BAG_TYPES,
    )


def _bag_rows(rows: pa.Table) -> BagRows:
    zone = pc.dictionary_encode(rows["zone"].combine_chunks())
    buried = pc.cast(pc.cast(rows["buried_on"], pa.int32()), pa.int64())
    moisture = pc.fill_null(rows["initial_moisture_pct"], 0.0).to_numpy()
    mass = rows["initial_mass_g"].to_numpy()
    return BagRows(
        id=_ids(rows["id"]),
        trial_id=_ids(rows["trial_id"]),
        site_id=_ids(rows["site_id"]),
        zone=_ids(pc.cast(zone.indices, pa.int64())),
        zones=zone.dictionary.to_pylist(),
        buried_on=pc.fill_null(buried, NO_DAY).to_numpy(),
        start_dry_g=mass * (1 - moisture / 100),
        is_empty=pc.fill_null(pc.equal(rows["purpose"], "empty"), False).to_numpy(),
    )


def _ids(column: pa.ChunkedArray) -> IntArray:
    return pc.fill_null(column, UNKNOWN).to_numpy()


def _refuse_impossible_day(table: Table, book: FaultBook, sender: Sender, bags: BagRows) -> None:
    day = table.days("retrieved_on")
    usable = (bags.id != UNKNOWN) & (day != NO_DAY)
    early = usable & (day < bags.buried_on)
    table.refuse(
        book,
        early,
        "retrieved_on",
        lambda row: (
            "retrieval_before_burial",
            f"Bag {table.column('bag_label')[row]} was buried on "
            f"{date.fromordinal(EPOCH_ORDINAL + int(bags.buried_on[row]))}, after this look.",
        ),
    )
    now = np.full(len(bags.zones), int(sender.now.timestamp()), dtype=np.int64)
    todays = days_in_zone(now, np.arange(now.size), bags.zones)
    today = np.array([*todays, 0], dtype=np.int64)[bags.zone]
    late = usable & (day > today)
    table.refuse(
        book,
        late,
        "retrieved_on",
        lambda row: (
            "in_the_future",
            f"{table.column('retrieved_on')[row]} lies in the future. Enter the day of the look as "
            "it was, not as it is planned.",
        ),
    )


def _refuse_impossible_mass(table: Table, book: FaultBook, bags: BagRows) -> None:
    mass = table.numbers("dry_mass_g")
    # An empty bag catches compost on purpose; its start mass means nothing.
    heavy = ~bags.is_empty & (mass > MOST_TIMES_START * bags.start_dry_g)
    table.refuse(
        book,
        heavy,
        "dry_mass_g",
        lambda row: (
            "mass_over_five_times_start",
            f"{mass[row]:g} g is more than five times the start mass of "
            f"{bags.start_dry_g[row]:.4g} g. Check the decimal point, and that the dish was tared.",
        ),
    )
