"""Writes probe-days by binary COPY: arrays as text would take several times as long to parse.

The format is Postgres' own, documented under COPY (binary format) and array_send.
"""

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from django.db import connection

from registry.intake.table import FloatArray, IntArray

HEADER = b"PGCOPY\n\xff\r\n\0" + struct.pack(">ii", 0, 0)
TRAILER = struct.pack(">h", -1)
INT4, INT8, FLOAT8 = 23, 20, 701  # type numbers of array elements
POSTGRES_EPOCH_DAYS = 10_957  # 2000-01-01, in days since 1970
PIECE_BYTES = 1024 * 1024

_INSERT = """
    COPY registry_probeday (pile_id, probe, day, seconds, celsius, count, lowest_c, mean_c,
                            highest_c, uploads)
    FROM STDIN (FORMAT binary)
"""
_CHANGES = """
    CREATE TEMPORARY TABLE IF NOT EXISTS probe_day_change (
        id bigint, seconds integer[], celsius double precision[], count integer,
        lowest_c double precision, mean_c double precision, highest_c double precision
    ) ON COMMIT DROP
"""
_UPDATE = """
    UPDATE registry_probeday AS day
       SET seconds = new.seconds, celsius = new.celsius, count = new.count,
           lowest_c = new.lowest_c, mean_c = new.mean_c, highest_c = new.highest_c,
           uploads = day.uploads || %s::bigint
      FROM probe_day_change AS new
     WHERE day.id = new.id
"""


@dataclass(frozen=True)
class ProbeDays:
    """Probe-days with the readings of day `i` at `start[i] : start[i] + count[i]`.

    `places` are (series, day) pairs; `day` counts from 1970-01-01; `seconds` since midnight UTC.
    """

    places: list[tuple[int, int]]
    pile_id: Sequence[int]
    probe: Sequence[str]
    day: IntArray
    start: IntArray
    count: IntArray
    seconds: IntArray
    celsius: FloatArray
    lowest_c: FloatArray
    mean_c: FloatArray
    highest_c: FloatArray
    upload_id: int


def insert_days(days: ProbeDays) -> None:
    _copy(_INSERT, _inserted(days))


def update_days(days: ProbeDays, ids: Sequence[int], upload_id: int) -> None:
    """Write the readings of existing probe-days anew; `ids` runs beside the days."""
    with connection.cursor() as cursor:
        cursor.execute(_CHANGES)
        cursor.execute("TRUNCATE probe_day_change")
        _copy("COPY probe_day_change FROM STDIN (FORMAT binary)", _changed(days, ids))
        cursor.execute(_UPDATE, [upload_id])


def _copy(statement: str, rows: Iterator[bytes]) -> None:
    with connection.cursor() as cursor, cursor.copy(statement) as copy:
        piece = bytearray(HEADER)
        for row in rows:
            piece += row
            if len(piece) > PIECE_BYTES:
                copy.write(bytes(piece))
                piece.clear()
        piece += TRAILER
        copy.write(bytes(piece))


def _inserted(days: ProbeDays) -> Iterator[bytes]:
    uploads = _array_head(INT8, 1) + struct.pack(">iq", 8, days.upload_id)
    uploads = struct.pack(">i", len(uploads)) + uploads
    for index, readings in enumerate(_readings(days)):
        probe = days.probe[index].encode()
        yield b"".join(
            (
                struct.pack(">hiqi", 10, 8, days.pile_id[index], len(probe)),
                probe,
                struct.pack(">ii", 4, int(days.day[index]) - POSTGRES_EPOCH_DAYS),
                readings,
                uploads,
            )
        )


def _changed(days: ProbeDays, ids: Sequence[int]) -> Iterator[bytes]:
    for identity, readings in zip(ids, _readings(days), strict=True):
        yield struct.pack(">hiq", 7, 8, identity) + readings


def _readings(days: ProbeDays) -> Iterator[bytes]:
    """Arrays, count and roll-up of each day, as they stand in a binary row."""
    seconds = _elements(days.seconds, ">i4", 4)
    celsius = _elements(days.celsius, ">f8", 8)
    for index, (start, count) in enumerate(
        zip(days.start.tolist(), days.count.tolist(), strict=True)
    ):
        end = start + count
        yield b"".join(
            (
                struct.pack(">i", 20 + 8 * count),
                _array_head(INT4, count),
                seconds[8 * start : 8 * end],
                struct.pack(">i", 20 + 12 * count),
                _array_head(FLOAT8, count),
                celsius[12 * start : 12 * end],
                struct.pack(
                    ">iiididid",
                    4,
                    count,
                    8,
                    days.lowest_c[index],
                    8,
                    days.mean_c[index],
                    8,
                    days.highest_c[index],
                ),
            )
        )


def _array_head(element: int, count: int) -> bytes:
    # One dimension, no NULLs, element type, length, lower bound.
    return struct.pack(">iiiii", 1, 0, element, count, 1)


def _elements(values: np.ndarray, kind: str, size: int) -> memoryview:
    """Every element as its length and its big-endian value."""
    packed = np.empty(values.size, dtype=[("length", ">i4"), ("value", kind)])
    packed["length"], packed["value"] = size, values
    return memoryview(packed.tobytes())
