import time

import pytest
from django.conf import LazySettings
from django.core.cache import cache

from api.v1 import throttling
from registry.models import Upload
from tests.world import Call

HEADER = "trial,bag_label,retrieved_on,outcome,"
LONG = "a" * 3_000


@pytest.fixture(autouse=True)
def _empty_cache() -> None:
    cache.clear()


def test_too_many_requests_are_told_when_to_come_back(
    call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(throttling.PerActor, "rate", "2/min")

    answers = [call("GET", "/bags/", as_="NORTH") for _ in range(3)]

    assert [answer.status_code for answer in answers] == [200, 200, 429]
    assert answers[2].json()["code"] == "too_many_requests"
    assert 1 <= int(answers[2]["Retry-After"]) <= 61
    assert call("GET", "/bags/", as_="SOUTH").status_code == 200, "another lab is not held up"


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        (HEADER + ",".join(f"column_{n}" for n in range(300)) + "\n", 400, "too_many_columns"),
        ("x" * 30_000, 400, "unreadable_table"),
        (
            f"{HEADER}notes\nTRIAL-1,A1,2026-04-08,looked_at,{LONG * 1_700}\n",
            422,
            "rows_refused",
        ),
        (f"{HEADER}notes\nTRIAL-1,A1,2026-04-08,looked_at,{LONG}\n", 422, "rows_refused"),
    ],
    ids=["columns", "header line", "five megabytes in a cell", "cell"],
)
def test_what_is_too_long_is_told_as_such(call: Call, body: str, status: int, code: str) -> None:
    started = time.monotonic()

    answer = call("POST", "/retrievals/", body, as_="NORTH")

    told = answer.json()
    assert (answer.status_code, told["code"]) == (status, code)
    assert len(told["detail"]) < 1_000, "the sentence does not repeat the flood"
    assert all(len(fault["value"] or "") <= 200 for fault in told.get("errors", []))
    assert time.monotonic() - started < 20
    if status == 422:
        back = call("GET", f"/uploads/{told['upload']}/annotated/", as_="NORTH")
        header, row = b"".join(back.streaming_content).splitlines()
        assert row.startswith(b"TRIAL-1,A1,2026-04-08,looked_at,aaa")


def test_declared_size_is_refused_before_a_byte_is_read(call: Call, settings: LazySettings) -> None:
    settings.MAX_UPLOAD_BYTES = 100

    answer = call("POST", "/retrievals/", "x" * 101, as_="NORTH")

    assert (answer.status_code, answer.json()["code"]) == (413, "body_too_large")
    assert "send it in parts" in answer.json()["detail"]
    assert not Upload.objects.exclude(kind="materials").exists()


def test_unchanged_answer_is_304(call: Call) -> None:
    first = call("GET", "/trials/")

    again = call("GET", "/trials/", If_None_Match=first["ETag"])

    assert first.status_code == 200
    assert (again.status_code, again.content) == (304, b"")
