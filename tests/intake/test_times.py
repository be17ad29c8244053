"""Local times, offsets, and the two days a year on which a clock lies.

Dates of the changes: European Union, directive 2000/84/EC (last Sunday of March and of October,
01:00 UTC); Lord Howe Island, half an hour (IANA time zone database).
"""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.intake.times import days_in_zone, read_moments, settle

COPENHAGEN = "Europe/Copenhagen"


def _settled(
    cells: list[str | None], zone: str = COPENHAGEN, series: list[int] | None = None
) -> tuple[list[str], list[bool], list[bool]]:
    """UTC texts, and which local times came twice or never."""
    moments = read_moments(pa.array(cells, pa.string()))
    of_series = None if series is None else np.array(series)
    found = settle(moments, np.zeros(len(cells), dtype=np.int64), [zone], of_series)
    texts = [f"{datetime.fromtimestamp(second, UTC):%m-%d %H:%M:%S}" for second in found.utc]
    return texts, found.twice.tolist(), found.never.tolist()


@pytest.mark.parametrize(
    ("cell", "utc"),
    [
        ("2026-04-21T10:00", "04-21 08:00:00"),
        ("2026-01-21 10:00:30", "01-21 09:00:30"),
        ("2026-04-21T10:00:00+02:00", "04-21 08:00:00"),
        ("2026-04-21T10:00:00Z", "04-21 10:00:00"),
        ("2026-04-21T10:00-0330", "04-21 13:30:00"),
        ("2026-04-21T10:00:59.999+02", "04-21 08:00:59"),
    ],
)
def test_times_are_read_with_and_without_an_offset(cell: str, utc: str) -> None:
    assert _settled([cell]) == ([utc], [False], [False])


@pytest.mark.parametrize(
    "cell",
    ["2026-13-01T10:00", "2026-02-30T10:00", "2026-04-21T25:00", "2026-04-21T10:61"]
    + ["2026-04-21T10:00:60", "2026-04-21T10:00+15:00", None],
)
def test_impossible_times_are_not_readable(cell: str | None) -> None:
    moments = read_moments(pa.array(["2026-04-21T10:00", cell], pa.string()))

    assert moments.readable.tolist() == [True, False]


def test_a_skipped_hour_is_told() -> None:
    _, twice, never = _settled(["2026-03-29T01:59", "2026-03-29T02:00", "2026-03-29T03:00"])

    assert never == [False, True, False]
    assert twice == [False, False, False]


def test_a_repeated_hour_alone_is_never_guessed() -> None:
    _, twice, never = _settled(
        ["2026-10-25T01:59", "2026-10-25T02:00", "2026-10-25T02:59", "2026-10-25T03:00"],
        series=[0, 0, 0, 0],
    )

    assert twice == [False, True, True, False]
    assert never == [False] * 4


def test_the_order_of_a_probes_rows_tells_the_two_passes_apart() -> None:
    cells = [
        f"2026-10-25T{time}" for time in ("01:30", "02:00", "02:30", "02:00", "02:30", "03:00")
    ]

    texts, twice, _ = _settled(cells, series=[0] * 6)

    assert twice == [False] * 6
    assert texts == [
        f"10-{day} {time}:00"
        for day, time in [("24", "23:30"), ("25", "00:00"), ("25", "00:30"), ("25", "01:00")]
        + [("25", "01:30"), ("25", "02:00")]
    ]


def test_an_hourly_logger_writes_the_same_hour_twice() -> None:
    texts, twice, _ = _settled(["2026-10-25T02:00", "2026-10-25T02:00"], series=[0, 0])

    assert (texts, twice) == (["10-25 00:00:00", "10-25 01:00:00"], [False, False])


def test_rows_of_other_probes_do_not_tell_the_pass() -> None:
    _, twice, _ = _settled(["2026-10-25T02:30", "2026-10-25T02:00"], series=[0, 1])

    assert twice == [True, True]


def test_two_steps_back_are_no_order() -> None:
    cells = [f"2026-10-25T02:{minute}" for minute in ("30", "20", "10")]

    assert _settled(cells, series=[0] * 3)[1] == [True] * 3


def test_an_offset_settles_the_repeated_hour() -> None:
    texts, twice, _ = _settled(["2026-10-25T02:30+02:00", "2026-10-25T02:30+01:00"])

    assert (texts, twice) == (["10-25 00:30:00", "10-25 01:30:00"], [False, False])


def test_half_hours_of_change_are_known() -> None:
    _, twice, never = _settled(
        ["2026-04-05T01:29", "2026-04-05T01:30", "2026-10-04T02:15"], "Australia/Lord_Howe"
    )

    assert twice == [False, True, False]
    assert never == [False, False, True]


@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2037, 1, 1)).map(
        lambda at: at.replace(microsecond=0)
    ),
    st.sampled_from([COPENHAGEN, "America/New_York", "Asia/Kolkata", "Africa/Casablanca", "UTC"]),
)
def test_a_local_time_written_from_utc_is_read_back_or_asked_about(at: datetime, zone: str) -> None:
    from_utc = at.replace(tzinfo=UTC)
    local = np.datetime64(at) + np.timedelta64(_offset(from_utc, zone), "s")
    cell = str(local)

    moments = read_moments(pa.array([cell]))
    found = settle(moments, np.zeros(1, dtype=np.int64), [zone], None)

    assert not found.never[0]
    if not found.twice[0]:
        assert found.utc[0] == int(from_utc.timestamp())


def _offset(at: datetime, zone: str) -> int:
    offset = at.astimezone(ZoneInfo(zone)).utcoffset()
    assert offset is not None
    return int(offset.total_seconds())


def test_a_day_is_the_sites_day() -> None:
    late = int(datetime(2026, 4, 20, 22, 30, tzinfo=UTC).timestamp())

    days = days_in_zone(np.array([late, late]), np.array([0, -1]), [COPENHAGEN])

    assert [str(np.datetime64(int(day), "D")) for day in days] == ["2026-04-21", "2026-04-20"]
