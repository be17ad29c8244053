"""Times as people and loggers write them → seconds since 1970 UTC.

A time without an offset is the site's own. When clocks go back an hour happens twice: which one is
meant is taken from the order of the file, or asked for; it is never guessed.
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from registry.intake.table import BoolArray, IntArray

DAY_S = 86_400
# "2026-04-21T09:30" is the same in every lawful writing; seconds and offset follow.
MINUTE_LENGTH = 16
REST = re.compile(r"^(?::(\d{2})(?:\.\d+)?)?(Z|[+-]\d{2}(?::?\d{2})?)?$")
# UTC+14 and UTC−12 are the furthest zones in use.
FURTHEST_OFFSET_S = 14 * 3600
EPOCH = datetime(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class Moments:
    """(n,) clock readings in seconds since 1970 of their own clock, and that clock's offset.

    `offset` counts where `has_offset`; other rows are local times. `readable` is false where the
    cell is blank or no such time exists. Fractions of a second are dropped.
    """

    clock: IntArray
    offset: IntArray
    has_offset: BoolArray
    readable: BoolArray


@dataclass(frozen=True, slots=True)
class Settled:
    """(n,) seconds since 1970 UTC, and local times that happened twice or never."""

    utc: IntArray
    twice: BoolArray
    never: BoolArray


def read_moments(text: pa.Array) -> Moments:
    """Clock readings of cells that have the form of a date and time."""
    minutes = pc.dictionary_encode(pc.utf8_slice_codeunits(text, 0, MINUTE_LENGTH))
    rests = pc.dictionary_encode(pc.utf8_slice_codeunits(text, MINUTE_LENGTH))
    clock, known_minute = _minutes(minutes.dictionary)
    second, offset, zoned, known_rest = _rests(rests.dictionary.to_pylist())
    at_minute, given = _indices(minutes)
    at_rest, _ = _indices(rests)
    if not given.any():
        nothing = np.zeros(len(text), dtype=np.int64)
        return Moments(nothing, nothing, given, given)
    return Moments(
        clock=clock[at_minute] + second[at_rest],
        offset=offset[at_rest],
        has_offset=zoned[at_rest] & given,
        readable=given & known_minute[at_minute] & known_rest[at_rest],
    )


def settle(
    moments: Moments, zone_of_row: IntArray, zones: list[str], series: IntArray | None
) -> Settled:
    """Moments in UTC. `zone_of_row` indexes `zones`, −1 where unknown; `series` numbers the probe
    a row belongs to, so that the order of its rows may tell the first from the second pass."""
    utc = moments.clock - moments.offset
    twice = np.zeros(utc.size, dtype=bool)
    never = np.zeros(utc.size, dtype=bool)
    for number, name in enumerate(zones):
        rows = np.flatnonzero(~moments.has_offset & moments.readable & (zone_of_row == number))
        if rows.size == 0:
            continue
        clock = moments.clock[rows]
        early, late, exists = _offsets(clock, ZoneInfo(name))
        never[rows] = ~exists
        double = exists & (early != late)
        second_pass, unclear = _passes(clock, double, None if series is None else series[rows])
        twice[rows] = unclear
        utc[rows] = clock - np.where(second_pass, late, early)
    return Settled(utc, twice, never)


def days_in_zone(utc: IntArray, zone_of_row: IntArray, zones: list[str]) -> IntArray:
    """(n,) local calendar days since 1970 of moments in UTC; −1 zone gives the UTC day."""
    local = utc.copy()
    for number, name in enumerate(zones):
        rows = np.flatnonzero(zone_of_row == number)
        hours, index = np.unique(utc[rows] // 900, return_inverse=True)
        zone = ZoneInfo(name)
        shift = [_offset_at(int(hour) * 900, zone) for hour in hours]
        local[rows] += np.array(shift, dtype=np.int64)[index] if rows.size else 0
    return local // DAY_S


def _offset_at(utc: int, zone: ZoneInfo) -> int:
    moment = (EPOCH + timedelta(seconds=utc)).replace(tzinfo=UTC).astimezone(zone)
    return _seconds(moment.utcoffset())


def _minutes(texts: pa.Array) -> tuple[IntArray, BoolArray]:
    try:
        clock = pc.cast(pc.cast(texts, pa.timestamp("s")), pa.int64()).to_numpy()
        return clock, np.ones(len(texts), dtype=bool)
    except pa.ArrowInvalid:  # a 13th month or a 25th hour among them
        values = [_minute(text) for text in texts.to_pylist()]
        known = np.array([value is not None for value in values], dtype=bool)
        return np.array([value or 0 for value in values], dtype=np.int64), known


def _minute(text: str) -> int | None:
    try:
        return _seconds(datetime.fromisoformat(text) - EPOCH)
    except ValueError:
        return None


def _rests(texts: list[str]) -> tuple[IntArray, IntArray, BoolArray, BoolArray]:
    second = np.zeros(len(texts), dtype=np.int64)
    offset = np.zeros(len(texts), dtype=np.int64)
    zoned = np.zeros(len(texts), dtype=bool)
    known = np.zeros(len(texts), dtype=bool)
    for number, text in enumerate(texts):
        found = REST.match(text)
        if found is None:
            continue
        second[number] = int(found[1] or 0)
        offset[number] = _offset(found[2])
        zoned[number] = found[2] is not None
        known[number] = second[number] < 60 and abs(offset[number]) <= FURTHEST_OFFSET_S
    return second, offset, zoned, known


def _offset(text: str | None) -> int:
    if text is None or text == "Z":
        return 0
    digits = text[1:].replace(":", "").ljust(4, "0")
    seconds = int(digits[:2]) * 3600 + int(digits[2:]) * 60
    return -seconds if text[0] == "-" else seconds


def _indices(coded: pa.DictionaryArray) -> tuple[IntArray, BoolArray]:
    given = pc.is_valid(coded.indices).to_numpy(zero_copy_only=False)
    return pc.fill_null(coded.indices, 0).to_numpy(zero_copy_only=False), given


def _offsets(clock: IntArray, zone: ZoneInfo) -> tuple[IntArray, IntArray, BoolArray]:
    """Offsets of each local time on the first and second pass, and whether it happened at all.

    Clocks change on few days a year: only the times of those days are looked at one by one.
    """
    days, of_day = np.unique(clock // DAY_S, return_inverse=True)
    edges = [_edge_offsets(int(day), zone) for day in days]
    early = np.array([edge[0] for edge in edges], dtype=np.int64)[of_day]
    late = early.copy()
    exists = np.ones(clock.size, dtype=bool)
    changing = np.array([len(set(edge)) > 1 for edge in edges], dtype=bool)[of_day]
    rows = np.flatnonzero(changing)
    times, index = np.unique(clock[rows], return_inverse=True)
    for number, time in enumerate(times):
        here = rows[index == number]
        early[here], late[here], exists[here] = _passes_of(int(time), zone)
    return early, late, exists


def _edge_offsets(day: int, zone: ZoneInfo) -> list[int]:
    start = EPOCH + timedelta(days=day)
    return [
        _seconds(moment.replace(tzinfo=zone, fold=fold).utcoffset())
        for moment in (start, start + timedelta(days=1))
        for fold in (0, 1)
    ]


def _passes_of(time: int, zone: ZoneInfo) -> tuple[int, int, bool]:
    local = EPOCH + timedelta(seconds=time)
    early, late = (_seconds(local.replace(tzinfo=zone, fold=fold).utcoffset()) for fold in (0, 1))
    back = (local - timedelta(seconds=early)).replace(tzinfo=UTC).astimezone(zone)
    return early, late, back.replace(tzinfo=None) == local


def _passes(
    clock: IntArray, double: BoolArray, series: IntArray | None
) -> tuple[BoolArray, BoolArray]:
    """Which rows are on the second pass, and for which that cannot be told.

    Within one probe's rows, in the order of the file, the hour is told when the clock steps back
    exactly once: before the step is the first pass, from it on the second.
    """
    second = np.zeros(clock.size, dtype=bool)
    unclear = double.copy()
    if series is None or not double.any():
        return second, unclear
    rows = np.flatnonzero(double)
    frame = pd.DataFrame({"row": rows, "series": series[rows], "day": clock[rows] // DAY_S})
    for _, group in frame.groupby(["series", "day"], sort=False):
        of_group = group["row"].to_numpy()
        steps_back = np.flatnonzero(np.diff(clock[of_group]) <= 0)
        if steps_back.size == 1:
            second[of_group[steps_back[0] + 1 :]] = True
            unclear[of_group] = False
    return second, unclear


def _seconds(span: timedelta | None) -> int:
    return 0 if span is None else span.days * DAY_S + span.seconds
