"""Readings into probe-days: new ones are merged in, the same again passes, other values do not."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pyarrow as pa

from registry.intake.arrow_rows import fetch_where
from registry.intake.faults import FaultBook
from registry.intake.kinds.temperatures import Readings
from registry.intake.probe_day_copy import ProbeDays, insert_days, update_days
from registry.intake.table import BoolArray, FloatArray, IntArray, Table
from registry.intake.times import DAY_S
from registry.models import ProbeDay

# Seconds since 1970 stay below this until the year 2514; series and second share one number.
SERIES_STEP = 2**34
EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class Merged:
    """How many readings are new, and how to write their probe-days."""

    created: int
    write: Callable[[int], None]


@dataclass(frozen=True)
class StoredReadings:
    """(n,) readings stored on the days that new ones touch, ordered by `key`."""

    key: IntArray
    celsius: FloatArray
    day_id: dict[tuple[int, int], int]


def merge_readings(table: Table, book: FaultBook, readings: Readings) -> Merged:
    """Note readings that contradict the file or what is stored; return what is new."""
    rows = np.flatnonzero(readings.usable)
    key = readings.series[rows] * SERIES_STEP + readings.utc[rows]
    order = np.argsort(key, kind="stable")
    rows, key = rows[order], key[order]
    repeated = np.zeros(rows.size, dtype=bool)
    repeated[1:] = key[1:] == key[:-1]
    _refuse_contradictions(table, book, readings, rows, key, repeated)
    rows, key = rows[~repeated], key[~repeated]
    stored = _stored(readings, key)
    is_new = _refuse_changes(table, book, readings, rows, key, stored)
    rows, key = rows[is_new], key[is_new]

    def write(upload_id: int) -> None:
        if rows.size:
            _write(readings, key, readings.celsius[rows], stored, upload_id)

    return Merged(int(rows.size), write)


def _refuse_contradictions(
    table: Table,
    book: FaultBook,
    readings: Readings,
    rows: IntArray,
    key: IntArray,
    repeated: BoolArray,
) -> None:
    """The same instant twice in one file: identical is a re-download, another value a fault."""
    first = np.searchsorted(key, key)
    other = np.full(table.rows, -1, dtype=np.int64)
    differs = repeated & (readings.celsius[rows] != readings.celsius[rows[first]])
    other[rows[differs]] = rows[first[differs]]
    table.refuse(
        book,
        other >= 0,
        "measured_at",
        lambda row: (
            "duplicate_row",
            f"Row {other[row] + 1} has {readings.celsius[other[row]]:g} °C for the same probe and "
            f"instant, this one {readings.celsius[row]:g} °C. Keep the true one.",
        ),
    )


def _refuse_changes(
    table: Table,
    book: FaultBook,
    readings: Readings,
    rows: IntArray,
    key: IntArray,
    stored: StoredReadings,
) -> BoolArray:
    if stored.key.size == 0:
        return np.ones(rows.size, dtype=bool)
    at = np.minimum(np.searchsorted(stored.key, key), stored.key.size - 1)
    known = stored.key[at] == key
    differs = known & (stored.celsius[at] != readings.celsius[rows])
    stored_value = np.full(table.rows, np.nan)
    stored_value[rows[differs]] = stored.celsius[at[differs]]
    table.refuse(
        book,
        np.isfinite(stored_value),
        "measured_at",
        lambda row: (
            "reading_changed",
            f"{stored_value[row]:g} °C is stored for this probe and instant, "
            f"{readings.celsius[row]:g} °C was sent. Check the probe's code and the clock.",
        ),
    )
    return ~known


def _stored(readings: Readings, key: IntArray) -> StoredReadings:
    """Stored readings of the days that are touched."""
    touched = np.unique(key // SERIES_STEP * SERIES_STEP + (key % SERIES_STEP) // DAY_S)
    nothing = StoredReadings(np.array([], dtype=np.int64), np.array([]), {})
    if touched.size == 0:
        return nothing
    days = np.unique(touched % SERIES_STEP)
    found = fetch_where(
        ProbeDay,
        {"id": pa.int64(), "pile_id": pa.int64(), "probe": pa.string(), "day": pa.date32()},
        {
            "pile_id": sorted({pile for pile, _ in readings.pairs}),
            "probe": sorted({probe for _, probe in readings.pairs}),
            "day": [EPOCH + timedelta(days=int(day)) for day in days],
        },
    )
    if found.num_rows == 0:
        return nothing
    numbers = {pair: number for number, pair in enumerate(readings.pairs)}
    wanted = set(touched.tolist())
    day_id: dict[tuple[int, int], int] = {}
    for identity, pile, probe, day in zip(
        *(column.to_pylist() for column in found.columns), strict=True
    ):
        series = numbers.get((pile, probe))
        number = (day - EPOCH).days
        if series is not None and series * SERIES_STEP + number in wanted:
            day_id[series, number] = identity
    return _unrolled(day_id)


def _unrolled(day_id: dict[tuple[int, int], int]) -> StoredReadings:
    place = {identity: pair for pair, identity in day_id.items()}
    keys: list[IntArray] = []
    values: list[FloatArray] = []
    for identity, seconds, celsius in ProbeDay.objects.filter(pk__in=place).values_list(
        "pk", "seconds", "celsius"
    ):
        series, day = place[identity]
        keys.append(np.array(seconds, dtype=np.int64) + series * SERIES_STEP + day * DAY_S)
        values.append(np.array(celsius))
    if not keys:
        return StoredReadings(np.array([], dtype=np.int64), np.array([]), {})
    key = np.concatenate(keys)
    order = np.argsort(key, kind="stable")
    return StoredReadings(key[order], np.concatenate(values)[order], day_id)


def _write(
    readings: Readings,
    key: IntArray,
    celsius: FloatArray,
    stored: StoredReadings,
    upload_id: int,
) -> None:
    """New days are inserted whole; days that exist are written again with old and new readings."""
    grown = _on_stored_days(key, stored)
    if (~grown).any():
        insert_days(_days(readings, key[~grown], celsius[~grown], upload_id))
    if grown.any():
        old = _on_days_of(stored.key, key[grown])
        merged = np.concatenate([stored.key[old], key[grown]])
        order = np.argsort(merged, kind="stable")
        values = np.concatenate([stored.celsius[old], celsius[grown]])[order]
        days = _days(readings, merged[order], values, upload_id)
        update_days(days, [stored.day_id[pair] for pair in days.places], upload_id)


def _day_keys(key: IntArray) -> IntArray:
    return key // SERIES_STEP * SERIES_STEP + (key % SERIES_STEP) // DAY_S


def _on_stored_days(key: IntArray, stored: StoredReadings) -> BoolArray:
    days = [series * SERIES_STEP + day for series, day in stored.day_id]
    return np.isin(_day_keys(key), np.array(days, dtype=np.int64))


def _on_days_of(key: IntArray, others: IntArray) -> BoolArray:
    return np.isin(_day_keys(key), _day_keys(others))


def _days(readings: Readings, key: IntArray, celsius: FloatArray, upload_id: int) -> ProbeDays:
    """Group readings, ordered by key, into probe-days with their roll-up."""
    days = _day_keys(key)
    starts = np.flatnonzero(np.r_[True, days[1:] != days[:-1]])
    count = np.diff(np.r_[starts, key.size])
    series, number = days[starts] // SERIES_STEP, days[starts] % SERIES_STEP
    return ProbeDays(
        places=list(zip(series.tolist(), number.tolist(), strict=True)),
        pile_id=[readings.pairs[one][0] for one in series],
        probe=[readings.pairs[one][1] for one in series],
        day=number,
        start=starts,
        count=count,
        seconds=(key % SERIES_STEP) % DAY_S,
        celsius=celsius,
        lowest_c=np.minimum.reduceat(celsius, starts),
        mean_c=np.add.reduceat(celsius, starts) / count,
        highest_c=np.maximum.reduceat(celsius, starts),
        upload_id=upload_id,
    )
