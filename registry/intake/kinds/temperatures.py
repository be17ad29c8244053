"""Temperature readings: which pile, which probe, which instant, how warm."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from registry.intake.faults import FaultBook
from registry.intake.kinds.piles import (
    moments_of,
    pile_ids,
    refuse_before_pile,
    site_ids,
    trial_ids,
)
from registry.intake.labels import UNKNOWN, Sender, match_piles
from registry.intake.table import BoolArray, FloatArray, IntArray, Table, always
from registry.intake.times import DAY_S

# A tenth of a degree Fahrenheit is 0.056 °C; four decimals keep it and drop the noise of division.
CONVERTED_DECIMALS = 4


@dataclass(frozen=True)
class Readings:
    """(n_rows,) readings; `usable` where pile, probe, instant and value are all known.

    `series` numbers the distinct (pile, probe) pairs listed in `pairs`.
    """

    series: IntArray
    pairs: list[tuple[int, str]]
    utc: IntArray
    celsius: FloatArray
    usable: BoolArray
    site: IntArray
    trial: IntArray

    def first_key(self) -> dict[str, Any]:
        pile, probe = self.pairs[self.series[0]]
        day = date(1970, 1, 1) + timedelta(days=int(self.utc[0] // DAY_S))
        return {"pile_id": pile, "probe": probe, "day": day}


def plan_temperatures(table: Table, book: FaultBook, sender: Sender) -> Readings:
    piles = match_piles(table, book, sender)
    series, pairs = _series(pile_ids(piles), table.column("probe"))
    moment, timed = moments_of(table, book, sender, piles, "measured_at", series)
    refuse_before_pile(table, book, piles, "measured_at", moment, timed, "measured_before_pile")
    celsius = _celsius(table, book)
    known = (series != UNKNOWN) & timed & np.isfinite(celsius)
    return Readings(
        series=series,
        pairs=pairs,
        utc=moment,
        celsius=celsius,
        usable=known & table.good("pile", "measured_at", "temperature_c", "temperature_f"),
        site=site_ids(piles),
        trial=trial_ids(piles),
    )


def _series(pile: IntArray, probe: pa.Array) -> tuple[IntArray, list[tuple[int, str]]]:
    coded = pc.dictionary_encode(probe)
    of_probe = pc.fill_null(coded.indices, 0).to_numpy(zero_copy_only=False).astype(np.int64)
    given = pc.is_valid(probe).to_numpy(zero_copy_only=False)
    names = coded.dictionary.to_pylist()
    combined = np.where((pile != UNKNOWN) & given, pile * max(len(names), 1) + of_probe, UNKNOWN)
    distinct, series = np.unique(combined, return_inverse=True)
    shift = int(distinct.size > 0 and distinct[0] == UNKNOWN)
    pairs = [(int(key) // len(names), names[int(key) % len(names)]) for key in distinct[shift:]]
    return series.astype(np.int64) - shift, pairs


def _celsius(table: Table, book: FaultBook) -> FloatArray:
    has_c, has_f = table.given("temperature_c"), table.given("temperature_f")
    readable = table.good("temperature_c", "temperature_f")
    table.refuse(
        book,
        has_c & has_f,
        "temperature_f",
        always(
            "two_temperatures",
            "Give the reading once: in temperature_c or in temperature_f.",
        ),
    )
    table.refuse(
        book,
        ~has_c & ~has_f & readable,
        "temperature_c",
        always(
            "no_temperature",
            "Give the reading in temperature_c or temperature_f; delete the row when there is "
            "none.",
        ),
    )
    from_f = np.round((table.numbers("temperature_f") - 32) * 5 / 9, CONVERTED_DECIMALS)
    return np.where(has_c, table.numbers("temperature_c"), from_f)
