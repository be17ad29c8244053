"""Piles, their recipes and their turnings."""

import numpy as np
import pyarrow as pa

from registry.columns import FEEDSTOCKS, Kind
from registry.intake.faults import FaultBook
from registry.intake.labels import (
    UNKNOWN,
    Matched,
    PileRow,
    Sender,
    match_piles,
    match_sites,
    match_trials,
    refuse_foreign,
)
from registry.intake.plan import Plan, ids, known, plain_columns, text_columns
from registry.intake.table import IntArray, Table
from registry.intake.times import DAY_S, Settled, days_in_zone, read_moments, settle
from registry.models import Feedstock, Pile, Trial, Turning

# Clocks differ a little; more than this ahead is a wrong date.
CLOCK_SLACK_S = 600
EPOCH_ORDINAL = 719_163  # date(1970, 1, 1).toordinal()


def plan_piles(table: Table, book: FaultBook, sender: Sender) -> Plan:
    sites = match_sites(table, book)
    trials = match_trials(table, book, sender)
    site = sites.ids([found.pk for found in sites.records])
    trial = trials.ids([found.pk for found in trials.records])
    both = (site != UNKNOWN) & (trial != UNKNOWN)
    writable = sender.may_write_rows(site, trial)
    refuse_foreign(table, book, sender, both & ~writable, "site")
    outside = both & writable & ~_takes_part(site, trial)
    table.refuse(
        book,
        outside,
        "site",
        lambda row: (
            "site_not_in_trial",
            f"Site {table.column('site')[row]} does not take part in trial "
            f"{table.column('trial')[row]}. Ask a coordinator to add it.",
        ),
    )
    measured = ("started_on", "length_m", "width_m", "height_m", "volume_m3", "water_added_l")
    return Plan(
        model=Pile,
        values={
            "site_id": ids(np.where(writable, site, UNKNOWN)),
            "trial_id": ids(trial),
            "code": table.column("pile"),
            **text_columns(table, "kind"),
            **plain_columns(table, *measured),
        },
        key=("site_id", "code"),
        key_field="pile",
        where={"site_id": known(np.where(writable, site, UNKNOWN))},
        site=site,
        trial=trial,
        sent_names={"trial_id": "trial"},
    )


def plan_feedstocks(table: Table, book: FaultBook, sender: Sender) -> Plan:
    piles = match_piles(table, book, sender)
    numbers = [column.name for column in FEEDSTOCKS.columns if column.kind is Kind.NUMBER]
    return Plan(
        model=Feedstock,
        values={
            "pile_id": ids(pile_ids(piles)),
            **text_columns(table, "ingredient"),
            **plain_columns(table, *numbers),
        },
        key=("pile_id", "ingredient"),
        key_field="ingredient",
        where={"pile_id": known(pile_ids(piles))},
        site=site_ids(piles),
        trial=trial_ids(piles),
        pile=pile_ids(piles),
        trial_field="pile",
    )


def plan_turnings(table: Table, book: FaultBook, sender: Sender) -> Plan:
    piles = match_piles(table, book, sender)
    moment, usable = moments_of(table, book, sender, piles, "turned_at", None)
    refuse_before_pile(table, book, piles, "turned_at", moment, usable, "turned_before_pile")
    turned_at = pa.array(moment * 1_000_000, pa.timestamp("us", "UTC"), mask=~usable)
    return Plan(
        model=Turning,
        values={
            "pile_id": ids(pile_ids(piles)),
            "turned_at": turned_at,
            **plain_columns(table, "water_added_l", "moisture_pct"),
            **text_columns(table, "notes"),
        },
        key=("pile_id", "turned_at"),
        key_field="turned_at",
        where={"pile_id": known(pile_ids(piles))},
        site=site_ids(piles),
        trial=trial_ids(piles),
        trial_field="pile",
    )


def pile_ids(piles: Matched[PileRow]) -> IntArray:
    return piles.ids([pile.id for pile in piles.records])


def site_ids(piles: Matched[PileRow]) -> IntArray:
    return piles.ids([pile.site_id for pile in piles.records])


def trial_ids(piles: Matched[PileRow]) -> IntArray:
    return piles.ids([pile.trial_id for pile in piles.records])


def zones_of(piles: Matched[PileRow]) -> tuple[IntArray, list[str]]:
    """(n_rows,) index into the time zones that occur."""
    zones = sorted({pile.time_zone for pile in piles.records})
    return piles.ids([zones.index(pile.time_zone) for pile in piles.records]), zones


def moments_of(
    table: Table,
    book: FaultBook,
    sender: Sender,
    piles: Matched[PileRow],
    name: str,
    series: IntArray | None,
) -> tuple[IntArray, np.ndarray]:
    """(n_rows,) seconds since 1970 UTC of a time column, and where they can be used."""
    moments = read_moments(table.column(name))
    zone, zones = zones_of(piles)
    settled = settle(moments, zone, zones, series)
    impossible = table.given(name) & ~moments.readable
    late = moments.readable & (settled.utc > sender.now.timestamp() + CLOCK_SLACK_S)
    # A local time at an unknown site is no time yet; its label is at fault, not it.
    placed = moments.has_offset | (zone != UNKNOWN)
    late &= placed & ~settled.twice & ~settled.never
    _refuse_times(table, book, name, settled, impossible, late)
    return settled.utc, (moments.readable & placed & ~settled.twice & ~settled.never & ~late)


def refuse_before_pile(
    table: Table,
    book: FaultBook,
    piles: Matched[PileRow],
    name: str,
    moment: IntArray,
    usable: np.ndarray,
    code: str,
) -> None:
    """Nothing happens in a pile before the day it was built."""
    zone, zones = zones_of(piles)
    built = piles.ids([pile.started_on.toordinal() - EPOCH_ORDINAL for pile in piles.records])
    maybe = usable & (piles.index != UNKNOWN) & (moment // DAY_S <= built + 1)
    early = np.zeros(table.rows, dtype=bool)
    rows = np.flatnonzero(maybe)
    early[rows] = days_in_zone(moment[rows], zone[rows], zones) < built[rows]
    table.refuse(
        book,
        early,
        name,
        lambda row: (
            code,
            f"Pile {table.column('pile')[row]} was built on "
            f"{piles.records[piles.index[row]].started_on}, after this.",
        ),
    )


def _refuse_times(
    table: Table,
    book: FaultBook,
    name: str,
    settled: Settled,
    impossible: np.ndarray,
    late: np.ndarray,
) -> None:
    column = table.column(name)
    table.refuse(
        book,
        impossible,
        name,
        lambda row: (
            "not_iso_datetime",
            f"{column[row]} is not in the calendar or on the clock.",
        ),
    )
    table.refuse(
        book,
        settled.twice,
        name,
        lambda row: (
            "ambiguous_local_time",
            f"{column[row]} happened twice at this site when clocks went back. Add the offset, as "
            f"in {column[row]}+01:00, or keep each probe's rows in the order they were logged.",
        ),
    )
    table.refuse(
        book,
        settled.never,
        name,
        lambda row: (
            "nonexistent_local_time",
            f"{column[row]} did not happen at this site: clocks went forward. Check the logger's "
            "zone, or add the offset.",
        ),
    )
    table.refuse(
        book,
        late,
        name,
        lambda row: (
            "in_the_future",
            f"{column[row]} lies in the future. Check the date.",
        ),
    )


def _takes_part(site: IntArray, trial: IntArray) -> np.ndarray:
    pairs = {
        (row[0], row[1])
        for row in Trial.sites.through.objects.filter(trial__in=known(trial)).values_list(
            "site_id", "trial_id"
        )
    }
    return np.array(
        [pair in pairs for pair in zip(site.tolist(), trial.tolist(), strict=True)], dtype=bool
    )
