"""Logger downloads: overlaps are merged, the same again is harmless, contradictions are told."""

from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from registry.errors import UploadRefused
from registry.models import ProbeDay, Upload
from tests.intake.conftest import Places, send

HEADER = "site,pile,probe,measured_at,temperature_c\n"


def _readings(*readings: tuple[str, float], probe: str = "CORE") -> str:
    return HEADER + "".join(f"NORTH,P1,{probe},{at}Z,{value}\n" for at, value in readings)


def _stored(probe: str = "CORE") -> dict[date, list[tuple[int, float]]]:
    return {
        day.day: list(zip(day.seconds, day.celsius, strict=True))
        for day in ProbeDay.objects.filter(probe=probe).order_by("day")
    }


def test_overlapping_downloads_are_merged_in_order_of_time(planted: Places) -> None:
    first = send(
        "temperatures", _readings(("2026-05-01T10:00", 50), ("2026-05-01T12:00", 52)), planted.north
    )
    second = send(
        "temperatures",
        _readings(("2026-05-01T12:00", 52), ("2026-05-01T11:00", 51), ("2026-05-02T00:00", 40)),
        planted.north,
    )

    assert (second.created, second.unchanged) == (2, 1)
    assert _stored() == {
        date(2026, 5, 1): [(36_000, 50.0), (39_600, 51.0), (43_200, 52.0)],
        date(2026, 5, 2): [(0, 40.0)],
    }
    grown, new = ProbeDay.objects.order_by("day")
    assert (grown.count, grown.lowest_c, grown.mean_c, grown.highest_c) == (3, 50, 51, 52)
    assert (grown.uploads, new.uploads) == ([first.pk, second.pk], [second.pk])


def test_a_day_that_gains_nothing_is_not_touched(planted: Places) -> None:
    text = _readings(("2026-05-01T10:00", 50))
    first = send("temperatures", text, planted.north)

    again = send("temperatures", text + "NORTH,P1,CORE,2026-05-02T10:00Z,50\n", planted.north)

    assert (again.created, again.unchanged) == (1, 1)
    assert ProbeDay.objects.get(day=date(2026, 5, 1)).uploads == [first.pk]


def test_the_same_reading_twice_in_one_file_counts_once(planted: Places) -> None:
    upload = send(
        "temperatures", _readings(("2026-05-01T10:00", 50), ("2026-05-01T10:00", 50)), planted.north
    )

    assert (upload.rows, upload.created, upload.unchanged) == (2, 1, 1)
    assert _stored() == {date(2026, 5, 1): [(36_000, 50.0)]}


def test_another_value_at_a_stored_instant_is_refused_with_both(planted: Places) -> None:
    send("temperatures", _readings(("2026-05-01T10:00", 50)), planted.north)

    with pytest.raises(UploadRefused) as refusal:
        send(
            "temperatures",
            _readings(("2026-05-01T09:00", 49), ("2026-05-01T10:00", 50.5)),
            planted.north,
        )

    (fault,) = refusal.value.faults
    assert (fault.row, fault.code) == (2, "reading_changed")
    assert "50 °C is stored" in fault.message
    assert "50.5 °C was sent" in fault.message
    assert _stored() == {date(2026, 5, 1): [(36_000, 50.0)]}


def test_probes_of_one_pile_are_told_apart(planted: Places) -> None:
    send("temperatures", _readings(("2026-05-01T10:00", 50)), planted.north)
    send("temperatures", _readings(("2026-05-01T10:00", 30), probe="EDGE"), planted.north)

    assert _stored() == {date(2026, 5, 1): [(36_000, 50.0)]}
    assert _stored("EDGE") == {date(2026, 5, 1): [(36_000, 30.0)]}


def test_the_repeated_hour_is_stored_when_the_order_tells_it(planted: Places) -> None:
    times = ("02:00", "02:30", "02:00", "02:30")
    rows = "".join(f"NORTH,P1,CORE,2026-10-25T{time},{40 + n}\n" for n, time in enumerate(times))

    send("temperatures", HEADER + rows, planted.north)

    assert _stored() == {
        date(2026, 10, 25): [(0, 40.0), (1800, 41.0), (3600, 42.0), (5400, 43.0)],
    }


def test_fahrenheit_is_converted_once_at_the_edge(planted: Places) -> None:
    header = HEADER.replace("temperature_c", "temperature_f")
    rows = "NORTH,P1,CORE,2026-05-01T10:00Z,131\nNORTH,P1,CORE,2026-05-01T11:00Z,100\n"

    send("temperatures", header + rows, planted.north)
    again = send("temperatures", _readings(("2026-05-01T10:00", 55)), planted.north)

    assert _stored() == {date(2026, 5, 1): [(36_000, 55.0), (39_600, 37.7778)]}
    assert again.unchanged == 1


def test_readings_of_another_site_are_unknown_piles(planted: Places) -> None:
    with pytest.raises(UploadRefused) as refusal:
        send("temperatures", _readings(("2026-05-01T10:00", 50)), planted.south)

    assert refusal.value.faults[0].code == "unknown_pile"
    assert not ProbeDay.objects.exists()


def test_readings_before_the_pile_was_built_are_refused(planted: Places) -> None:
    with pytest.raises(UploadRefused) as refusal:
        send("temperatures", _readings(("2026-04-06T12:00", 20)), planted.north)

    assert refusal.value.faults[0].code == "measured_before_pile"


@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    # Quarter hours of three days, in as many downloads as pleases, in any order.
    st.lists(st.lists(st.integers(0, 3 * 96 - 1), min_size=1, max_size=30), min_size=1, max_size=4)
)
def test_any_downloads_in_any_order_end_as_their_union(
    planted: Places, downloads: list[list[int]]
) -> None:
    ProbeDay.objects.all().delete()
    for quarters in downloads:
        readings = [
            (f"2026-05-{1 + q // 96:02}T{q % 96 // 4:02}:{q % 4 * 15:02}", 20 + q / 8)
            for q in quarters
        ]
        send("temperatures", _readings(*readings), planted.north)

    union = sorted({quarter for quarters in downloads for quarter in quarters})
    found = [
        (date.toordinal(day), second, value)
        for day, readings in _stored().items()
        for second, value in readings
    ]
    first = date(2026, 5, 1).toordinal()
    assert found == [(first + q // 96, q % 96 * 900, 20 + q / 8) for q in union]
    counts = Upload.objects.filter(kind="temperatures").order_by("-pk")[: len(downloads)]
    assert sum(upload.created for upload in counts) == len(union)
