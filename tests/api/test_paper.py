"""Labels and retrieval sheets over the API: whose bags, which of them, and what is refused."""

import pytest

from registry.models import Trial
from registry.queries import printed_bags
from tests import factories
from tests.paper.reading import pages_of
from tests.world import Call

pytestmark = pytest.mark.django_db


def words(answer) -> str:
    assert answer.status_code == 200, answer.content[:300]
    assert answer["Content-Type"] == "application/pdf"
    return " ".join(pages_of(answer.content))


def test_labels_are_of_the_bags_that_were_asked_for(call: Call, looked_at: None) -> None:
    rows = call("GET", "/bags/?site=NORTH&page_size=1000", as_="NORTH").json()["results"]
    names = [row["bag_label"] for row in rows]

    every = words(call("GET", "/labels/?trial=TRIAL-1&site=NORTH", as_="NORTH"))
    two = words(
        call("GET", f"/labels/?trial=TRIAL-1&bag_label={names[0]},%20{names[1]}", as_="NORTH")
    )

    assert all(name in every for name in names)
    assert [name in two for name in names] == [True, True, *[False] * (len(names) - 2)]


def test_a_lab_prints_its_own_bags_and_a_coordinator_all(call: Call, looked_at: None) -> None:
    path = "/labels/?trial=TRIAL-1"

    north, both = (words(call("GET", path, as_=who)) for who in ("NORTH", "coordinator"))

    assert "SOUTH · " not in north
    assert "NORTH · " in both
    assert "SOUTH · " in both


def test_released_bags_of_another_site_are_not_to_label(call: Call, looked_at: None) -> None:
    factories.Release(trial=Trial.objects.get(code="TRIAL-1"), last_upload_id=10**9)
    assert call("GET", "/bags/?site=NORTH", as_="ELSEWHERE").json()["results"]

    answer = call("GET", "/labels/?trial=TRIAL-1&site=NORTH", as_="ELSEWHERE")

    assert answer.status_code == 404


def test_a_sheet_leaves_out_the_bags_that_were_lifted(call: Call, looked_at: None) -> None:
    text = (
        "trial,site,pile,bag_label,material,buried_on,initial_mass_g,planned_days\n"
        "TRIAL-1,NORTH,P1,N-STILL-IN,PAPER,2026-04-07,10.0,28\n"
    )
    assert call("POST", "/bags/", text, as_="NORTH").status_code == 201
    lifted = call("GET", "/retrievals/?site=NORTH&page_size=1000", as_="NORTH").json()["results"]

    sheet = words(call("GET", "/retrieval-sheets/?trial=TRIAL-1", as_="NORTH"))

    assert "N-STILL-IN" in sheet
    assert "day 28" in sheet
    assert "Due 2026-05-05" in sheet
    assert not any(look["bag_label"] in sheet for look in lifted)


@pytest.mark.parametrize("path", ["labels", "retrieval-sheets"])
@pytest.mark.parametrize(
    ("query", "status", "field"),
    [
        ("", 422, "trial"),
        ("?trial=TRIAL-1&size=poster", 422, "size"),
        ("?trial=TRIAL-1&planned_days=soon", 422, "planned_days"),
        ("?trial=TRIAL-1&planned_days=99999999999", 404, None),
        ("?trial=TRIAL-1&colour=red", 422, "colour"),
        ("?trial=NO-SUCH", 404, None),
        ("?trial=TRIAL-1&bag_label=%00", 422, "bag_label"),
        ("?trial=TRIAL-1&pile=%F0%9F%8C%B1", 404, None),
    ],
)
def test_what_cannot_be_printed_is_told(
    call: Call, looked_at: None, path: str, query: str, status: int, field: str | None
) -> None:
    answer = call("GET", f"/{path}/{query}", as_="NORTH")

    assert answer.status_code == status, answer.content
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.json().get("field") == field


def test_more_bags_than_a_web_process_should_print_are_refused(
    call: Call, looked_at: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(printed_bags, "MOST_BAGS", 1)

    answer = call("GET", "/labels/?trial=TRIAL-1", as_="NORTH")

    assert answer.status_code == 422
    assert "More than 1 bags fit" in answer.json()["detail"]
