import pytest
from django.core.cache import cache

from api.v1 import throttling
from tests.world import Call


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


def test_unchanged_answer_is_304(call: Call) -> None:
    first = call("GET", "/trials/")

    again = call("GET", "/trials/", If_None_Match=first["ETag"])

    assert first.status_code == 200
    assert (again.status_code, again.content) == (304, b"")
