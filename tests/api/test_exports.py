"""Tables whole: columns, filters, formats, what a spreadsheet may open, and who sees what."""

import csv
import io
import json
from datetime import date

import pandas as pd
import pytest
from django.http import HttpResponse

from registry.models import Flag, PoolingRun, ProbeDay, Release, Retrieval, Trial, Upload
from tests.world import Call

pytestmark = pytest.mark.django_db
ALL_LISTS = (
    *("institutions", "sites", "trials", "materials", "compositions", "piles", "feedstocks"),
    *("turnings", "temperatures", "bags", "retrievals", "uploads", "flags", "corrections"),
    *("pooling-runs", "estimates", "releases", "ratings"),
)


def body(answer: HttpResponse) -> bytes:
    assert answer.status_code == 200, answer.content
    return b"".join(answer.streaming_content)


def rows_of(answer: HttpResponse) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(body(answer).decode())))


def readings(call: Call) -> None:
    text = "site,pile,probe,measured_at,temperature_c\n"
    text += "".join(
        f"NORTH,P1,CORE,2026-04-{day:02}T{hour:02}:30:00Z,{-1.5 + hour}\n"
        for day in (8, 9)
        for hour in range(24)
    )
    assert call("POST", "/temperatures/", text, as_="NORTH").status_code == 201


def test_an_export_holds_every_row_with_its_place_and_elapsed_days(
    call: Call, looked_at: None
) -> None:
    answer = call("GET", "/trials/TRIAL-1/export/?table=retrievals", as_="coordinator")

    rows = rows_of(answer)
    assert len(rows) == Retrieval.objects.count() == 48
    assert answer["Content-Disposition"] == 'attachment; filename="TRIAL-1-retrievals.csv"'
    first = next(row for row in rows if row["bag_label"] == "N1-PAPER-28-1")
    assert (first["site"], first["pile"], first["material"]) == ("NORTH", "P1", "PAPER")
    assert (first["days"], first["excluded"], first["reburied"]) == ("28", "false", "false")
    stored = Retrieval.objects.get(bag__label="N1-PAPER-28-1")
    assert float(first["dry_mass_g"]) == stored.dry_mass_g
    assert (first["id"], first["notes"]) == (str(stored.pk), "")


def test_columns_and_filters_narrow_an_export(call: Call, looked_at: None) -> None:
    query = "table=retrievals&columns=days,bag_label&site=SOUTH&material=PAPER"

    rows = rows_of(call("GET", f"/export/?{query}", as_="coordinator"))

    assert len(rows) == 12
    assert all(list(row) == ["days", "bag_label"] for row in rows)
    assert all(row["bag_label"].startswith("S") and "PAPER" in row["bag_label"] for row in rows)


def test_the_three_formats_hold_the_same_rows(call: Call, looked_at: None) -> None:
    Retrieval.objects.filter(bag__label="N1-PAPER-14-1").update(notes="NA", growth=3)
    path = "/export/?table=retrievals&format="

    as_csv = pd.read_csv(
        io.BytesIO(body(call("GET", path + "csv", as_="coordinator"))), keep_default_na=False
    )
    lines = body(call("GET", path + "ndjson", as_="coordinator")).decode().splitlines()
    parquet = pd.read_parquet(io.BytesIO(body(call("GET", path + "parquet", as_="coordinator"))))

    as_json = pd.DataFrame(json.loads(line) for line in lines)
    assert list(as_csv.columns) == list(as_json.columns) == list(parquet.columns)
    for name in ("bag_label", "dry_mass_g", "days", "excluded", "revision"):
        assert list(as_csv[name]) == list(as_json[name]) == list(parquet[name])
    assert parquet["retrieved_on"][0] == date.fromisoformat(as_csv["retrieved_on"][0])
    assert set(parquet["notes"].dropna()) == set(as_json["notes"].dropna()) == {"NA"}
    assert parquet["growth"].sum() == 3


def test_readings_are_opened_up_in_every_format(call: Call, looked_at: None) -> None:
    readings(call)
    path = "/trials/TRIAL-1/export/?table=temperatures&day=2026-04-09&format="

    rows = rows_of(call("GET", path + "csv", as_="NORTH"))
    parquet = pd.read_parquet(io.BytesIO(body(call("GET", path + "parquet", as_="NORTH"))))

    assert len(rows) == len(parquet) == 24
    assert rows[0] == {
        "site": "NORTH",
        "pile": "P1",
        "probe": "CORE",
        "measured_at": "2026-04-09T00:30:00Z",
        "temperature_c": "-1.5",
    }
    assert parquet["measured_at"][23] == pd.Timestamp("2026-04-09T23:30:00Z")
    assert ProbeDay.objects.count() == 2


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ('=HYPERLINK("http://127.0.0.1","x")', '\'=HYPERLINK("http://127.0.0.1","x")'),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\tx", "'\tx"),
        ("＝1", "'＝1"),
        ("'=1", "''=1"),
        ("wet, 'as is' = fine\nsecond line", "wet, 'as is' = fine\nsecond line"),
        ("'tis", "'tis"),
    ],
)
def test_a_text_that_looks_like_a_formula_is_disarmed_in_csv_alone(
    call: Call, looked_at: None, text: str, written: str
) -> None:
    Retrieval.objects.filter(bag__label="N1-PAPER-14-1").update(notes=text)
    path = "/export/?table=retrievals&bag_label=N1-PAPER-14-1&format="

    (row,) = rows_of(call("GET", path + "csv", as_="coordinator"))
    (line,) = body(call("GET", path + "ndjson", as_="coordinator")).splitlines()
    parquet = pd.read_parquet(io.BytesIO(body(call("GET", path + "parquet", as_="coordinator"))))

    assert row["notes"] == written
    assert json.loads(line)["notes"] == parquet["notes"][0] == text


def test_negative_numbers_stay_numbers(call: Call, looked_at: None) -> None:
    readings(call)

    text = body(call("GET", "/export/?table=temperatures", as_="NORTH")).decode()

    assert ",-1.5\n" in text


def test_an_excluded_look_stays_in_marked(call: Call, looked_at: None) -> None:
    look = Retrieval.objects.get(bag__label="N1-PAPER-14-1")
    Flag.objects.create(
        pile=look.bag.pile,
        retrieval=look,
        code="above_105_pct",
        message="m",
        decision="exclude",
        reason="soil",
        decided_at="2026-08-01T00:00:00Z",
    )

    rows = rows_of(call("GET", "/export/?table=retrievals", as_="coordinator"))

    assert [row["bag_label"] for row in rows if row["excluded"] == "true"] == ["N1-PAPER-14-1"]


def test_a_lab_gets_its_own_rows_and_a_stranger_none(call: Call, looked_at: None) -> None:
    own = rows_of(call("GET", "/export/?table=retrievals", as_="NORTH"))
    stranger = rows_of(call("GET", "/export/?table=retrievals", as_="ELSEWHERE"))
    anyone = rows_of(call("GET", "/export/?table=retrievals"))

    assert {row["site"] for row in own} == {"NORTH"}
    assert len(own) == 24
    assert stranger == anyone == []


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("table=people", "table"),
        ("", "table"),
        ("table=bags&format=xlsx", "format"),
        ("table=bags&columns=bag_label,password", "columns"),
        ("table=bags&columns=bag_label,bag_label", "columns"),
        ("table=bags&colour=red", "colour"),
        ("table=retrievals&retrieved_on=03/04/2026", "retrieved_on"),
    ],
)
def test_a_wrong_question_is_a_problem_that_names_the_field(
    call: Call, query: str, field: str
) -> None:
    answer = call("GET", f"/trials/TRIAL-1/export/?{query}", as_="coordinator")

    assert answer.status_code == 422
    assert answer.json()["field"] == field


@pytest.mark.parametrize("name", ALL_LISTS)
@pytest.mark.parametrize("form", ["text/csv", "application/x-ndjson"])
def test_every_list_is_a_file_when_asked_for_one(
    call: Call, looked_at: None, name: str, form: str
) -> None:
    readings(call)
    page = call("GET", f"/{name}/?page_size=1000", as_="coordinator").json()["results"]

    answer = call("GET", f"/{name}/", as_="coordinator", Accept=form)

    assert answer["Content-Type"].startswith(form)
    if form == "text/csv":
        assert len(rows_of(answer)) == len(page)
    else:
        assert len(body(answer).splitlines()) == len(page)


def test_a_file_has_no_pages_and_says_so(call: Call, looked_at: None) -> None:
    answer = call("GET", "/bags/?page_size=5", as_="NORTH", Accept="text/csv")

    assert answer.status_code == 422
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.json()["field"] == "page_size"


def test_a_list_inside_a_row_stands_in_its_cell_as_json(call: Call) -> None:
    (row,) = rows_of(call("GET", "/trials/", as_="coordinator", Accept="text/csv"))

    assert json.loads(row["schedule_days"]) == [14, 28, 42]


def test_who_looked_is_told_to_the_site_and_the_coordinator_alone(
    call: Call, looked_at: None, released: None
) -> None:
    Retrieval.objects.update(observer="A. Person")

    seen = {
        who: {row["observer"] for row in rows_of(call("GET", "/export/?table=retrievals", as_=who))}
        for who in ("coordinator", None)
    }
    north = rows_of(call("GET", "/export/?table=retrievals", as_="NORTH"))

    listed = call("GET", "/retrievals/?page_size=1000").json()["results"]
    own = call("GET", "/retrievals/?page_size=1000&site=NORTH", as_="NORTH").json()["results"]
    assert {row["observer"] for row in listed} == {""}
    assert {row["observer"] for row in own} == {"A. Person"}
    assert seen == {"coordinator": {"A. Person"}, None: {""}}
    assert {(row["site"], row["observer"]) for row in north} == {
        ("NORTH", "A. Person"),
        ("SOUTH", ""),
    }


@pytest.fixture
def released(call: Call, looked_at: None) -> None:
    """The looks made public, without the work of pooling them."""
    trial = Trial.objects.get()
    run = PoolingRun.objects.create(trial=trial, input_digest="a" * 64, model_version="1")
    Release.objects.create(
        trial=trial,
        version=1,
        run=run,
        licence="CC-BY-4.0",
        package_name="x.zip",
        package_sha256="a" * 64,
        package_bytes=1,
        n_rows=48,
        last_upload_id=Upload.objects.latest("pk").pk,
        created_at="2026-09-01T00:00:00Z",
    )
