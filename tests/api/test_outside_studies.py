"""Studies run elsewhere: registered with their source, pooled apart, withdrawn with a reason."""

import math

import pytest

from registry.models import OutsideEffect, OutsideStudy
from tests import factories
from tests.api.test_across_trials import ask, released
from tests.world import Call

pytestmark = pytest.mark.django_db

STUDY = {
    "study": "MULCH-2020",
    "title": "Decay of mulch films in four climates",
    "citation": "Author A (2020) Decay of mulch films in four climates. Journal 1:1-10.",
    "url": "https://doi.org/10.1234/abc",
    "effects": [
        {
            "material": "FILM-A",
            "site": "Plot 1",
            "measure": "log_decay_rate",
            "effect": -3.9,
            "variance": 0.01,
        },
        {
            "material": "FILM-A",
            "site": "Plot 2",
            "country": "ES",
            "measure": "log_decay_rate",
            "effect": -3.4,
            "variance": 0.02,
            "n_bags": 40,
        },
    ],
}


def with_effect(**changes: object) -> dict:
    first, second = STUDY["effects"]
    return {**STUDY, "effects": [{**first, **changes}, second]}


def test_a_study_is_registered_once_and_the_same_again_is_harmless(call: Call) -> None:
    first = call("POST", "/outside-studies/", STUDY, as_="coordinator")
    again = call("POST", "/outside-studies/", STUDY, as_="coordinator")

    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()
    assert OutsideEffect.objects.count() == 2


@pytest.mark.parametrize(
    "changed",
    [
        {**STUDY, "title": "Another"},
        with_effect(effect=-3.8),
        {**STUDY, "effects": STUDY["effects"][:1]},
    ],
)
def test_other_values_under_the_same_code_are_a_conflict(call: Call, changed: dict) -> None:
    call("POST", "/outside-studies/", STUDY, as_="coordinator")

    answer = call("POST", "/outside-studies/", changed, as_="coordinator")

    assert answer.status_code == 409
    assert answer.json()["code"] == "outside_study_changed"
    assert OutsideEffect.objects.get(site="Plot 1").effect == -3.9


@pytest.mark.parametrize(
    ("body", "field"),
    [
        (with_effect(variance=0.0), "variance"),
        (with_effect(effect=0.0183e4), "effects"),
        (with_effect(material="NO-SUCH"), "material"),
        (with_effect(measure="decay_rate"), "effects"),
        (with_effect(site="Plot 2"), "effects"),
        ({**STUDY, "effects": []}, "effects"),
        ({**STUDY, "citation": ""}, "citation"),
    ],
)
def test_a_wrong_study_is_refused_whole(call: Call, body: dict, field: str) -> None:
    answer = call("POST", "/outside-studies/", body, as_="coordinator")

    assert answer.status_code == 422
    assert field in str(answer.json())
    assert OutsideStudy.objects.count() == OutsideEffect.objects.count() == 0


@pytest.mark.parametrize(("who", "status"), [(None, 401), ("NORTH", 403)])
def test_only_a_coordinator_registers(call: Call, who: str | None, status: int) -> None:
    assert call("POST", "/outside-studies/", STUDY, as_=who).status_code == status
    assert OutsideStudy.objects.count() == 0


def test_anyone_reads_studies_with_their_citation(call: Call) -> None:
    call("POST", "/outside-studies/", STUDY, as_="coordinator")

    (found,) = call("GET", "/outside-studies/").json()["results"]

    assert found["citation"] == STUDY["citation"]
    assert [effect["effect"] for effect in found["effects"]] == [-3.9, -3.4]


def planted(material: str) -> None:
    """Two released trials of the material, and the study."""
    found = factories.Material(code=material)
    sites = [factories.Site() for _ in range(3)]
    released(found, [(sites[0], -4.0, 0.1), (sites[1], -3.8, 0.1)])
    released(found, [(sites[0], -4.2, 0.1), (sites[2], -4.1, 0.1)])
    study = factories.OutsideStudy()
    factories.OutsideEffect(study=study, material=found, site="Plot 1", effect=-3.0, variance=0.01)
    factories.OutsideEffect(study=study, material=found, site="Plot 2", effect=-3.2, variance=0.01)


def test_the_pool_of_releases_does_not_move_and_the_one_with_outside_stands_beside_it() -> None:
    planted("POT-X")
    without = ask(material="POT-X").json()

    OutsideStudy.objects.update(withdrawn_at="2026-01-01T00:00:00Z", withdrawn_reason="retracted")
    alone = ask(material="POT-X").json()

    assert without["pooled"] == alone["pooled"]
    assert alone["pooled_with_outside"] is None
    assert without["pooled_with_outside"]["n_trials"] == 3
    assert without["pooled_with_outside"]["estimate"] > without["pooled"]["estimate"]
    external = [row for row in without["rows"] if row["external"]]
    assert [row["estimate"] for row in external] == pytest.approx([math.exp(-3.0), math.exp(-3.2)])
    assert all(row["citation"] and row["version"] is None for row in external)
    assert not any(row["external"] for row in alone["rows"])


def test_an_outside_study_joins_no_pool_of_a_heat_class() -> None:
    planted("POT-X")

    answer = ask(material="POT-X", heat_class="hot").json()

    assert answer["rows"] == []
    assert answer["pooled_with_outside"] is None


def test_a_withdrawn_study_stays_readable_with_its_reason(call: Call) -> None:
    call("POST", "/outside-studies/", STUDY, as_="coordinator")
    path = "/outside-studies/MULCH-2020/withdrawal/"

    refused = call("POST", path, {"reason": "retracted"}, as_="NORTH")
    done = call("POST", path, {"reason": "retracted by its authors"}, as_="coordinator")
    again = call("POST", path, {"reason": "another reason"}, as_="coordinator")

    assert refused.status_code == 403
    assert done.json()["withdrawn_reason"] == "retracted by its authors"
    assert again.json() == done.json()
    assert call("GET", "/outside-studies/").json()["results"][0]["withdrawn_at"]
