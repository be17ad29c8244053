"""Every address, tried by every person: the table says what each one gets."""

import json
import zipfile
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from django.db import transaction
from django.http import HttpResponse
from django.test import Client
from django.urls import URLPattern, get_resolver
from django.utils import timezone

from api.v1 import urls as api_urls
from frontend import urls as page_urls
from registry.models import (
    AccessToken,
    Bag,
    Explanation,
    PooledEstimate,
    PoolingRun,
    Release,
    Retrieval,
    RunState,
    Site,
    SiteMembership,
    SiteRole,
    Upload,
    User,
)
from registry.packages.archive import sha256_of
from registry.packages.stored import DOCUMENTS
from registry.permissions import Actor
from registry.services import access, members, photos, pooling
from tests import factories
from tests.permission_table import API, OPEN_TO_BAD_TOKENS, PAGES, PEOPLE, Row
from tests.pictures import from_a_phone
from tests.world import Call, World

VERBS = ("get", "post", "put", "patch", "delete")
LEAD = "lead of NORTH"
SESSION = "django.contrib.auth.backends.ModelBackend"


@pytest.fixture
def ids(
    world: World, call: Call, looked_at: None, tmp_path: Path, settings: object
) -> dict[str, int]:
    """What the addresses of the table name: NORTH's rows, and releases of two other trials."""
    settings.RELEASES_DIR = tmp_path  # type: ignore[attr-defined]
    settings.PHOTOS_DIR = tmp_path  # type: ignore[attr-defined]
    settings.REPORTS_DIR = tmp_path / "reports"  # type: ignore[attr-defined]
    north = Site.objects.get(code="NORTH")
    bag = Bag.objects.filter(pile__site=north).order_by("pk").first()
    factories.Bag(pile=bag.pile, label="N-UNSEEN", material=bag.material)
    draft = factories.Trial(code="DRAFT", state="draft", schedule_days=[28], primary_day=28)
    draft.sites.add(north)
    draft.coordinators.add(world.coordinator)
    factories.Material(code="SECRET")
    factories.OutsideStudy(code="STUDY-1")
    # The same site in a trial of somebody else: that opens nothing of this one.
    elsewhere = factories.Trial(code="TRIAL-2")
    elsewhere.sites.add(north)
    elsewhere.coordinators.add(User.objects.get(email="other@example.org"))
    run, _ = pooling.open_run(trial=world.trial, by=world.boss)
    assert pooling.execute_run(run.pk)
    look = bag.retrievals.get()
    return {
        "pile": bag.pile_id,
        "bag": bag.pk,
        "look": look.pk,
        "flag": factories.Flag(pile=bag.pile, retrieval=look).pk,
        "photo": photos.add_photo(retrieval=look, body=from_a_phone(), by=world.boss)[0].pk,
        "upload": Upload.objects.filter(site=north, kind="retrievals").latest("pk").pk,
        "refused": factories.Upload(site=north, state="rejected", error_total=1).pk,
        "run": run.pk,
        "estimate": PooledEstimate.objects.filter(run=run).earliest("pk").pk,
        "explanation": Explanation.objects.filter(run=run).earliest("pk").pk,
        "release": _release("RELEASED", world, tmp_path).pk,
        "embargoed": _release("LATER", world, tmp_path, timezone.localdate() + timedelta(30)).pk,
        "token": AccessToken.objects.get(site=north).pk,
        "member": factories.SiteMembership(site=north).pk,
        "invitation": factories.Invitation(site=north).pk,
        "second": _second_coordinator(world).pk,
    }


def _second_coordinator(world: World) -> User:
    user = factories.User(is_coordinator=True)
    world.trial.coordinators.add(user)
    return user


def _release(code: str, world: World, folder: Path, embargo: date | None = None) -> Release:
    trial = factories.Trial(code=code, state="closed", embargo_until=embargo)
    trial.coordinators.add(world.coordinator)
    run = factories.PoolingRun(trial=trial, state=RunState.DONE)
    name = f"{trial.code}.zip"
    with zipfile.ZipFile(folder / name, "w") as package:
        for member in DOCUMENTS.values():
            package.writestr(member, "{}")
    return factories.Release(
        trial=trial,
        run=run,
        package_name=name,
        package_bytes=(folder / name).stat().st_size,
        package_sha256=sha256_of(folder / name),
    )


# --- the table is whole -------------------------------------------------------------------------


def _routes(patterns: list[URLPattern]) -> Iterator[tuple[str, str]]:
    """Verb and route of every address; a page is counted once, since its verbs are not declared."""
    for pattern in patterns:
        view = getattr(pattern.callback, "cls", None)
        for verb in VERBS if view is not None else ():
            if hasattr(view, verb) and verb in getattr(view, "http_method_names", VERBS):
                yield verb.upper(), str(pattern.pattern)
        if view is None:
            yield "", str(pattern.pattern)


def test_every_endpoint_and_verb_of_the_api_has_a_row() -> None:
    catch_all = str(api_urls.urlpatterns[-1].pattern)
    declared = {(row.verb, row.route) for row in API}
    plain = {route for verb, route in _routes(api_urls.urlpatterns) if not verb} - {catch_all}

    served = {found for found in _routes(api_urls.urlpatterns) if found[0]}

    assert declared == served | {("GET", route) for route in plain}


def test_every_page_has_a_row() -> None:
    assert {row.route for row in PAGES} == {route for _, route in _routes(page_urls.urlpatterns)}


def test_no_other_addresses_are_served() -> None:
    roots = {str(pattern.pattern) for pattern in get_resolver().url_patterns}

    assert roots == {"health/live", "health/ready", "api/v1/", "admin/", ""}


# --- what each person gets ----------------------------------------------------------------------


def _ask(
    client: Client, row: Row, prefix: str, ids: dict[str, int], **headers: str
) -> HttpResponse:
    picture = isinstance(row.body, bytes)
    data = row.body if picture else json.dumps(row.body)
    media = "image/jpeg" if picture else "application/json"
    body = {} if row.body is None else {"data": data}
    path = prefix + row.address.format(**ids)
    return client.generic(row.verb, path, content_type=media, headers=headers, **body)


def _tried(client: Client, row: Row, prefix: str, ids: dict[str, int], **headers: str) -> int:
    """The status, with everything the request stored undone."""
    with transaction.atomic():
        answer = _ask(client, row, prefix, ids, **headers)
        if answer.streaming:
            b"".join(answer.streaming_content)
        transaction.set_rollback(True)
    return answer.status_code


def test_every_endpoint_gives_each_person_what_the_table_says(
    world: World, ids: dict[str, int]
) -> None:
    wrong = []
    for row in API:
        for person, expected in zip(PEOPLE, row.statuses, strict=True):
            token = world.tokens.get(person)
            headers = {"Authorization": f"Bearer {token}"} if token else {}
            status = _tried(Client(), row, "/api/v1/", ids, **headers)
            if status != expected:
                wrong.append(f"{row.verb} {row.address} as {person}: {status}, not {expected}")

    assert wrong == []


@pytest.mark.parametrize("ended", ["expired", "revoked"])
def test_token_that_has_ended_opens_nothing(world: World, ids: dict[str, int], ended: str) -> None:
    past = timezone.now() - timedelta(minutes=1)
    column = {"expired": "expires_at", "revoked": "revoked_at"}[ended]
    AccessToken.objects.update(**{column: past})

    opened = []
    for row in API:
        for person in ("NORTH", "coordinator"):
            headers = {"Authorization": f"Bearer {world.tokens[person]}"}
            status = _tried(Client(), row, "/api/v1/", ids, **headers)
            expected = 200 if row.route in OPEN_TO_BAD_TOKENS else 401
            if status != expected:
                opened.append(f"{row.verb} {row.address} as {person}: {status}")

    assert opened == []


def test_member_signed_in_gets_what_the_sites_token_gets(world: World, ids: dict[str, int]) -> None:
    client = Client()
    client.force_login(_people(world)["NORTH"], backend=SESSION)
    wrong = []
    for row in API:
        expected = row.statuses[PEOPLE.index("NORTH")]
        status = _tried(client, row, "/api/v1/", ids)
        if status != expected:
            wrong.append(f"{row.verb} {row.address}: {status}, not {expected}")

    assert wrong == []


def test_person_who_left_a_site_sees_its_rows_no_more(world: World, ids: dict[str, int]) -> None:
    member = SiteMembership.objects.get(pk=ids["member"])
    client = Client()
    client.force_login(member.user, backend=SESSION)
    address = f"/api/v1/bags/{ids['bag']}/"
    assert client.get(address).status_code == 200

    members.remove_member(membership=member, by=Actor(user=member.user))

    assert client.get(address).status_code == 404


def test_every_page_gives_each_person_what_the_table_says(
    world: World, ids: dict[str, int]
) -> None:
    clients = {person: Client() for person in (*PEOPLE, LEAD)}
    for person, user in _people(world).items():
        clients[person].force_login(user, backend=SESSION)
    wrong = []
    for row in PAGES:
        statuses = (*row.statuses, row.of_lead)
        for person, expected in zip((*PEOPLE, LEAD), statuses, strict=True):
            status = _tried(clients[person], row, "/", ids)
            if status != expected:
                wrong.append(f"{row.verb} {row.address} as {person}: {status}, not {expected}")

    assert wrong == []


def _people(world: World) -> dict[str, User]:
    """Signed in: technicians of both sites, a lead of NORTH, and the two coordinators."""
    people = {
        "coordinator": world.coordinator,
        "other coordinator": User.objects.get(email="other@example.org"),
    }
    for code in ("NORTH", "SOUTH"):
        people[code] = factories.User(email=f"{code.lower()}@example.org")
        factories.SiteMembership(user=people[code], site=Site.objects.get(code=code))
    lead = factories.SiteMembership(site=Site.objects.get(code="NORTH"), role=SiteRole.LEAD)
    return people | {LEAD: lead.user}


@pytest.mark.parametrize("person", ["NORTH", "SOUTH", "other coordinator"])
def test_pooling_and_freezing_from_the_pages_is_for_the_trials_coordinator(
    world: World, ids: dict[str, int], person: str
) -> None:
    """The pages answer everyone with a redirect; what counts is that nothing was made."""
    Retrieval.objects.filter(pk=ids["look"]).update(revision=90)
    before = (PoolingRun.objects.count(), world.trial.releases.count())
    client = Client()
    client.force_login(_people(world)[person], backend=SESSION)

    client.post("/trials/TRIAL-1/pool/")
    client.post("/trials/TRIAL-1/freeze/", {"sure": "on"})

    assert (PoolingRun.objects.count(), world.trial.releases.count()) == before


def test_pooling_from_the_pages_works_for_the_trials_coordinator(
    world: World, ids: dict[str, int]
) -> None:
    Retrieval.objects.filter(pk=ids["look"]).update(revision=90)
    client = Client()
    client.force_login(world.coordinator, backend=SESSION)

    client.post("/trials/TRIAL-1/pool/")

    assert PoolingRun.objects.filter(trial=world.trial).count() == 2


def test_admin_is_for_staff_alone(world: World) -> None:
    for user in (None, *_people(world).values()):
        client = Client()
        if user is not None:
            client.force_login(user, backend=SESSION)
        for path in ("/admin/", "/admin/registry/site/", "/admin/registry/retrieval/"):
            assert client.get(path).status_code in (302, 404)


# --- another site's unreleased rows do not exist, however one asks ------------------------------

LISTS = ("piles", "feedstocks", "turnings", "temperatures", "bags", "retrievals", "uploads")
QUALITY = ("flags", "corrections")


@pytest.mark.parametrize("person", ["SOUTH", "ELSEWHERE", "other coordinator", None])
def test_no_list_filter_page_or_export_shows_another_sites_rows(
    call: Call, world: World, ids: dict[str, int], person: str | None
) -> None:
    pile = Bag.objects.get(pk=ids["bag"]).pile
    factories.Feedstock(pile=pile)
    factories.Turning(pile=pile)
    factories.ProbeDay(pile=pile)
    factories.Correction(retrieval_id=ids["look"])
    label = Bag.objects.get(pk=ids["bag"]).label

    for name in (*LISTS, *QUALITY):
        for query in ("", "?site=NORTH", "?page_size=1000"):
            answer = call("GET", f"/{name}/{query}", as_=person)
            assert answer.status_code == 200
            assert "NORTH" not in answer.content.decode(), (name, query)
    for query in (f"bags/?bag_label={label}", f"retrievals/?bag_label={label}", "bags/?pile=P1"):
        rows = call("GET", f"/{query}", as_=person).json()["results"]
        assert all(row["site"] == "SOUTH" for row in rows), query
    for table in ("piles", "bags", "retrievals", "feedstocks", "turnings", "temperatures"):
        for path in ("/trials/TRIAL-1/export/", "/export/"):
            answer = call("GET", f"{path}?table={table}", as_=person)
            text = b"".join(answer.streaming_content).decode()
            assert "NORTH" not in text, (path, table)
            assert label not in text


def test_pages_of_one_site_count_no_rows_of_another(call: Call, ids: dict[str, int]) -> None:
    answer = call("GET", "/bags/?page_size=5", as_="SOUTH").json()

    assert "count" not in answer
    assert {row["site"] for row in answer["results"]} == {"SOUTH"}


def test_upload_that_names_another_sites_bag_hears_what_a_made_up_label_hears(
    call: Call, ids: dict[str, int]
) -> None:
    label = Bag.objects.get(pk=ids["bag"]).label
    header = "trial,bag_label,retrieved_on,outcome,dry_mass_g\n"

    def told(named: str, day: str, mass: str) -> str:
        row = f"TRIAL-1,{named},{day},recovered,{mass}\n"
        answer = call("POST", "/retrievals/", header + row, as_="SOUTH")
        assert answer.status_code == 422
        problem = answer.json()
        return json.dumps([problem["detail"], problem["errors"]]).replace(named, "LABEL")

    made_up = told("N9-NOBODY-14-1", "2026-05-01", "5")

    assert told(label, "2026-05-01", "5") == made_up
    # Nor do its burial, its start mass or its looks show through other rules.
    assert told(label, "2020-01-01", "5").replace("2020-01-01", "2026-05-01") == made_up
    assert told(label, "2026-05-01", "400").replace("400", "5") == made_up


def test_upload_that_names_another_sites_pile_hears_what_a_made_up_pile_hears(
    call: Call, ids: dict[str, int]
) -> None:
    def told(pile: str) -> str:
        body = f"site,pile,turned_at\nNORTH,{pile},2026-04-20T10:00:00Z\n"
        answer = call("POST", "/turnings/", body, as_="SOUTH")
        assert answer.status_code == 422
        return json.dumps(answer.json()["errors"]).replace(pile, "PILE")

    assert told("P1") == told("P77")


def test_taken_label_says_only_that_it_is_taken(call: Call, ids: dict[str, int]) -> None:
    """Labels are unique within a trial, so this much cannot be hidden."""
    label = Bag.objects.get(pk=ids["bag"]).label
    rows = (
        "trial,site,pile,bag_label,material,buried_on,initial_mass_g\n"
        f"TRIAL-1,SOUTH,P1,{label},FILM-A,2026-04-08,33\n"
    )

    answer = call("POST", "/bags/", rows, as_="SOUTH")

    (fault,) = answer.json()["errors"]
    assert (answer.status_code, fault["code"]) == (422, "bag_label_taken")
    told = fault["message"].replace(label, "")
    assert not any(word in told for word in ("NORTH", "PAPER", "P1", "10", "2026-04-07"))


def test_lab_reads_the_names_of_its_own_people_alone(call: Call, ids: dict[str, int]) -> None:
    body = {"field": "notes", "value": "x", "reason": "forgotten"}
    call("POST", f"/retrievals/{ids['look']}/corrections/", body, as_="NORTH")

    assert call("GET", "/corrections/", as_="SOUTH").json()["results"] == []
    (mine,) = call("GET", "/corrections/", as_="NORTH").json()["results"]
    assert mine["made_by"].startswith("balance room")


def test_inactive_coordinators_token_opens_nothing(call: Call, world: World) -> None:
    User.objects.filter(pk=world.coordinator.pk).update(is_active=False)

    assert call("GET", "/trials/", as_="coordinator").status_code == 401


def test_coordinator_who_lost_the_role_is_a_stranger(call: Call, world: World, ids: dict) -> None:
    User.objects.filter(pk=world.coordinator.pk).update(is_coordinator=False)

    assert call("GET", f"/bags/{ids['bag']}/", as_="coordinator").status_code == 404
    refused = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator")
    assert refused.status_code == 403


def test_token_is_stored_as_a_digest_and_never_shown(world: World) -> None:
    _, secret = access.issue_site_token(site=Site.objects.get(code="NORTH"), name="press")

    row = AccessToken.objects.values().get(name="press")

    assert secret not in json.dumps(row, default=str)
    assert row["digest"] == AccessToken.digest_of(secret)
