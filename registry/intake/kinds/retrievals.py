"""Looks at bags: which bag is meant, and which rows cannot be true of it."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from registry.columns import RETRIEVALS, Kind
from registry.intake.arrow_rows import fetch
from registry.intake.faults import FaultBook
from registry.intake.kinds.looks import Looks, refuse_looks_out_of_order
from registry.intake.kinds.outcomes import refuse_contradictions
from registry.intake.kinds.piles import EPOCH_ORDINAL
from registry.intake.labels import UNKNOWN, Sender, match_trials, refuse_foreign
from registry.intake.plan import Plan, ids, known, plain_columns, text_columns, whole
from registry.intake.table import NO_DAY, BoolArray, FloatArray, IntArray, Table
from registry.intake.times import days_in_zone
from registry.models import Bag, Correction, Pile, Retrieval
from registry.models.retrieval import SCORES
from registry.permissions import visible_to

# Real bags have come up at 501 % of their start mass, full of compost; more is a slip of the
# decimal point or a weighing with the dish.
MOST_TIMES_START = 5.1
MOST_LABELS_ASKED = 20_000
BAG_TYPES = {
    "id": pa.int64(),
    "trial_id": pa.int64(),
    "label": pa.string(),
    "pile_id": pa.int64(),
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
    pile_id: IntArray
    site_id: IntArray
    zone: IntArray
    zones: list[str]
    buried_on: IntArray
    start_dry_g: FloatArray
    is_empty: BoolArray


def plan_retrievals(table: Table, book: FaultBook, sender: Sender) -> Plan:
    trials = match_trials(table, book, sender)
    trial = trials.ids([found.pk for found in trials.records])
    bags = _match_bags(table, book, sender, trial)
    writable = sender.may_write_rows(bags.site_id, bags.trial_id)
    refuse_foreign(table, book, sender, (bags.id != UNKNOWN) & ~writable, "bag_label")
    bag = np.where(writable, bags.id, UNKNOWN)
    refuse_contradictions(table, book)
    _refuse_impossible_day(table, book, sender, bags)
    _refuse_impossible_mass(table, book, bags)
    numbers = [column.name for column in RETRIEVALS.columns if column.kind is Kind.NUMBER]

    def rules(table: Table, book: FaultBook, new: BoolArray, stored: pa.Table) -> None:
        refuse_looks_out_of_order(table, book, Looks(bag, table.days("retrieved_on")), new, stored)

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
        pile=bags.pile_id,
        rules=rules,
        corrected=_corrected,
        constants={"revision": 1},
    )


def _corrected(stored: pa.Table, rows: IntArray) -> dict[int, dict[str, str]]:
    """The latest correction of each value of the stored looks at `rows`, in words."""
    bags, days = (stored[name].take(rows).to_pylist() for name in ("bag_id", "retrieved_on"))
    place = dict(zip(zip(bags, days, strict=True), rows.tolist(), strict=True))
    found: dict[int, dict[str, str]] = {}
    corrections = Correction.objects.filter(retrieval__bag__in=set(bags)).order_by("pk")
    for bag, day, field, old, new, made_at in corrections.values_list(
        *("retrieval__bag", "retrieval__retrieved_on", "field", "old_value", "new_value"), "made_at"
    ):
        if (at := place.get((bag, day))) is not None:
            words = f"{field} was corrected from {old or 'blank'} to {new or 'blank'}"
            found.setdefault(at, {})[field] = f"{words} on {made_at:%Y-%m-%d}"
    return found


def _match_bags(table: Table, book: FaultBook, sender: Sender, trial: IntArray) -> BagRows:
    found = _bags_named(table, sender, known(trial))
    sent = _bag_key(ids(trial), table.column("bag_label"))
    at = pc.index_in(sent, _bag_key(found["trial_id"], found["label"]))
    at = pc.if_else(pc.is_valid(sent), at, None)
    # A bag of an unknown trial is told once, as the trial.
    unknown = (trial != UNKNOWN) & table.given("bag_label")
    unknown &= pc.is_null(at).to_numpy(zero_copy_only=False)
    table.refuse(
        book,
        unknown,
        "bag_label",
        lambda row: (
            "unknown_bag",
            f"Trial {table.column('trial')[row]} has no bag {table.column('bag_label')[row]} that "
            "you may write to. Check the label; bags are uploaded before looks at them.",
        ),
    )
    return _bag_rows(found.take(at))


def _bag_key(trial: pa.Array, label: pa.Array) -> pa.Array:
    key = pc.binary_join_element_wise(pc.cast(trial, pa.string()), label, "/")
    return key.combine_chunks() if isinstance(key, pa.ChunkedArray) else key


def _bags_named(table: Table, sender: Sender, trial_ids: list[int]) -> pa.Table:
    bags = visible_to(sender.actor, Bag).filter(trial__in=trial_ids).order_by()
    if table.rows <= MOST_LABELS_ASKED:
        labels = pc.unique(table.column("bag_label")).to_pylist()
        bags = bags.filter(label__in=[label for label in labels if label])
    return fetch(bags.values_list(*BAG_TYPES), BAG_TYPES)


def _bag_rows(rows: pa.Table) -> BagRows:
    pile = _ids(rows["pile_id"])
    places = {
        pk: (site, zone)
        for pk, site, zone in Pile.objects.filter(pk__in=known(pile)).values_list(
            "pk", "site_id", "site__time_zone"
        )
    }
    zones = sorted({zone for _, zone in places.values()})
    distinct, of_pile = np.unique(pile, return_inverse=True)
    at = [places.get(int(number), (UNKNOWN, "")) for number in distinct]
    buried = pc.cast(pc.cast(rows["buried_on"], pa.int32()), pa.int64())
    moisture = pc.fill_null(rows["initial_moisture_pct"], 0.0).to_numpy()
    return BagRows(
        id=_ids(rows["id"]),
        trial_id=_ids(rows["trial_id"]),
        pile_id=pile,
        site_id=np.array([site for site, _ in at], dtype=np.int64)[of_pile],
        zone=np.array([zones.index(zone) if zone else UNKNOWN for _, zone in at], dtype=np.int64)[
            of_pile
        ],
        zones=zones,
        buried_on=pc.fill_null(buried, NO_DAY).to_numpy(),
        start_dry_g=rows["initial_mass_g"].to_numpy() * (1 - moisture / 100),
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
