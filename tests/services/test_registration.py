"""Institutions, sites and trials: registered once, the same again harmless, else a conflict."""

from datetime import date
from typing import Any

import pytest

from registry.errors import InvalidValue, NotAllowed, RecordChanged, StateOnlyMovesForward
from registry.models import AuditEvent, Institution, Site, Trial
from registry.permissions import ANYONE, Actor
from registry.services import registration
from registry.services.ror import canonical_ror, has_right_check_digits
from tests import factories

pytestmark = pytest.mark.django_db

INSTITUTION: dict[str, Any] = {
    "institution": "INST",
    "name": "Institute",
    "country": "DK",
    "ror": "03yrm5c26",
}
SITE: dict[str, Any] = {
    "site": "NORTH",
    "institution": "INST",
    "name": "North field",
    "country": "DK",
    "time_zone": "Europe/Copenhagen",
    "latitude": 55.6761,
    "longitude": 12.5683,
}
TRIAL: dict[str, Any] = {
    "trial": "TRIAL-1",
    "title": "Pots",
    "schedule_days": [14, 28, 56],
    "primary_day": 28,
    "sites": ["NORTH"],
    "materials": ["FILM"],
    "reference_material": "FILM",
    "embargo_until": date(2027, 1, 1),
}


@pytest.fixture
def boss() -> Actor:
    return Actor(user=factories.User(is_coordinator=True))


@pytest.fixture
def registered(boss: Actor) -> Trial:
    registration.register_institution(**INSTITUTION, by=boss)
    registration.register_site(**SITE, by=boss)
    factories.Material(code="FILM")
    return registration.register_trial(**TRIAL, by=boss)[0]


# Check digits: the identifiers of the ROR organisation's own documentation, and one of them with
# its last digit changed; the formula is from memory.
@pytest.mark.parametrize(
    ("identifier", "right"),
    [("03yrm5c26", True), ("02mhbdp94", True), ("042nb2s44", True), ("042nb2s45", False)],
)
def test_ror_check_digits(identifier: str, right: bool) -> None:
    assert has_right_check_digits(identifier) is right


@pytest.mark.parametrize(
    "text", ["03yrm5c26", "https://ror.org/03yrm5c26", "ror.org/03YRM5C26", " 03yrm5c26 "]
)
def test_a_ror_identifier_is_kept_as_its_address(text: str) -> None:
    assert canonical_ror(text) == "https://ror.org/03yrm5c26"


@pytest.mark.parametrize(
    "text", ["042nb2s45", "1234", "https://example.org/03yrm5c26", "o3yrm5c26"]
)
def test_a_wrong_ror_identifier_is_refused(text: str) -> None:
    with pytest.raises(InvalidValue):
        canonical_ror(text)


def test_everything_registered_twice_is_there_once(registered: Trial, boss: Actor) -> None:
    again = [
        registration.register_institution(**INSTITUTION, by=boss),
        registration.register_site(**SITE, by=boss),
        registration.register_trial(**TRIAL, by=boss),
    ]

    assert [created for _, created in again] == [False, False, False]
    assert (Institution.objects.count(), Site.objects.count(), Trial.objects.count()) == (1, 1, 1)
    assert AuditEvent.objects.filter(action="trial_registered").count() == 1


def test_a_trial_starts_as_a_draft_with_its_defaults_and_its_coordinator(
    registered: Trial, boss: Actor
) -> None:
    assert (registered.state, registered.detection_limit, registered.window_days) == (
        "draft",
        0.02,
        2,
    )
    assert registered.licence == "CC-BY-4.0"
    assert list(registered.coordinators.all()) == [boss.user]
    assert [site.code for site in registered.sites.all()] == ["NORTH"]
    assert [material.code for material in registered.materials.all()] == ["FILM"]


@pytest.mark.parametrize(
    ("verb", "values", "change"),
    [
        ("register_institution", INSTITUTION, {"name": "Another"}),
        ("register_institution", INSTITUTION, {"ror": ""}),
        ("register_site", SITE, {"time_zone": "Europe/Oslo"}),
        ("register_site", SITE, {"latitude": 55.0}),
        ("register_trial", TRIAL, {"primary_day": 56}),
        ("register_trial", TRIAL, {"detection_limit": 0.01}),
        ("register_trial", TRIAL, {"sites": ["NORTH", "SOUTH"]}),
    ],
)
def test_other_values_under_the_same_code_are_a_conflict(
    registered: Trial, boss: Actor, verb: str, values: dict[str, Any], change: dict[str, Any]
) -> None:
    factories.Site(code="SOUTH")

    with pytest.raises(RecordChanged) as conflict:
        getattr(registration, verb)(**{**values, **change}, by=boss)

    assert conflict.value.code == verb.replace("register_", "") + "_changed"
    assert conflict.value.field == next(iter(change))


@pytest.mark.parametrize(
    ("verb", "values", "change"),
    [
        ("register_institution", INSTITUTION, {"institution": "inst 2"}),
        ("register_institution", INSTITUTION, {"country": "dk"}),
        ("register_institution", INSTITUTION, {"name": " "}),
        ("register_institution", INSTITUTION, {"ror": "042nb2s45"}),
        ("register_site", SITE, {"time_zone": "CET summer"}),
        ("register_site", SITE, {"time_zone": "../../etc/passwd"}),
        ("register_site", SITE, {"latitude": 91}),
        ("register_site", SITE, {"longitude": None}),
        ("register_site", SITE, {"institution": "NOBODY"}),
        ("register_trial", TRIAL, {"schedule_days": []}),
        ("register_trial", TRIAL, {"schedule_days": [28, 14]}),
        ("register_trial", TRIAL, {"schedule_days": [14, 28, 28]}),
        ("register_trial", TRIAL, {"schedule_days": [0, 28]}),
        ("register_trial", TRIAL, {"primary_day": 29}),
        ("register_trial", TRIAL, {"detection_limit": 0.5}),
        ("register_trial", TRIAL, {"detection_limit": 0}),
        ("register_trial", TRIAL, {"window_days": -1}),
        ("register_trial", TRIAL, {"sites": ["NOWHERE"]}),
        ("register_trial", TRIAL, {"materials": ["NOTHING"]}),
        ("register_trial", TRIAL, {"reference_material": "PAPER"}),
    ],
)
def test_a_wrong_value_is_refused_and_nothing_is_registered(
    boss: Actor, verb: str, values: dict[str, Any], change: dict[str, Any]
) -> None:
    factories.Institution(code="INST" if verb != "register_institution" else "FIRST")
    factories.Site(code="NORTH" if verb == "register_trial" else "FIRST")
    factories.Material(code="FILM")
    before = (Institution.objects.count(), Site.objects.count(), Trial.objects.count())

    with pytest.raises(InvalidValue) as refusal:
        getattr(registration, verb)(**{**values, **change}, by=boss)

    assert refusal.value.field in (next(iter(change)), "latitude", "primary_day")
    assert (Institution.objects.count(), Site.objects.count(), Trial.objects.count()) == before


@pytest.mark.parametrize("verb", ["register_institution", "register_site", "register_trial"])
def test_only_coordinators_register(verb: str) -> None:
    values = {
        "register_institution": INSTITUTION,
        "register_site": SITE,
        "register_trial": TRIAL,
    }[verb]
    for stranger in (ANYONE, Actor(site=factories.Site()), Actor(user=factories.User())):
        with pytest.raises(NotAllowed):
            getattr(registration, verb)(**values, by=stranger)


def test_the_code_of_a_draft_nobody_may_see_is_only_said_to_be_taken(registered: Trial) -> None:
    other = Actor(user=factories.User(is_coordinator=True))

    with pytest.raises(RecordChanged) as conflict:
        registration.register_trial(**{**TRIAL, "title": "Mine"}, by=other)

    assert "Pots" not in conflict.value.message


def test_a_trial_moves_forwards_only_and_says_why(registered: Trial, boss: Actor) -> None:
    registration.move_trial(trial=registered, state="registered", reason="ready", by=boss)
    registration.move_trial(trial=registered, state="closed", reason="done", by=boss)
    registration.move_trial(trial=registered, state="closed", reason="again", by=boss)

    with pytest.raises(StateOnlyMovesForward):
        registration.move_trial(trial=registered, state="running", reason="oops", by=boss)

    assert Trial.objects.get().state == "closed"
    moves = AuditEvent.objects.filter(action="trial_moved").values_list("summary", flat=True)
    assert list(moves) == [
        "TRIAL-1: registered → closed. done",
        "TRIAL-1: draft → registered. ready",
    ]


def test_a_move_needs_a_reason_a_known_state_and_a_coordinator_of_the_trial(
    registered: Trial, boss: Actor
) -> None:
    other = Actor(user=factories.User(is_coordinator=True))

    with pytest.raises(InvalidValue):
        registration.move_trial(trial=registered, state="running", reason=" ", by=boss)
    with pytest.raises(InvalidValue):
        registration.move_trial(trial=registered, state="paused", reason="ready", by=boss)
    with pytest.raises(NotAllowed):
        registration.move_trial(trial=registered, state="running", reason="ready", by=other)

    assert Trial.objects.get().state == "draft"


def test_sites_and_materials_may_join_until_a_trial_closes(registered: Trial, boss: Actor) -> None:
    factories.Site(code="SOUTH")
    factories.Material(code="PAPER")

    registration.update_trial(trial=registered, sites=["SOUTH"], materials=["PAPER"], by=boss)
    again, created = registration.register_trial(**TRIAL, by=boss)

    assert not created
    assert [site.code for site in again.sites.all()] == ["NORTH", "SOUTH"]
    assert [material.code for material in again.materials.all()] == ["FILM", "PAPER"]
    registration.move_trial(trial=registered, state="closed", reason="done", by=boss)
    with pytest.raises(StateOnlyMovesForward):
        registration.update_trial(trial=registered, sites=["SOUTH"], by=boss)
