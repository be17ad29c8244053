"""Standing people and a small running trial, made with the same services the API calls."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import Client

from registry.models import Trial, User
from registry.permissions import Actor
from registry.services import access, registration, uploads
from tests import sample_files

DAYS = (14, 28, 42)
MATERIALS = """material,name,form,role
PAPER,Cellulose paper,sheet,positive_control
FILM-A,Starch blend film,film,test
"""


@dataclass
class World:
    """Two sites in one trial, and a third site outside it."""

    trial: Trial
    coordinator: User
    tokens: dict[str, str]

    @property
    def boss(self) -> Actor:
        return Actor(user=self.coordinator)


@pytest.fixture
def world(db: None) -> World:
    coordinator = access.create_coordinator(
        "coordinator@example.org", "Coordinator", "pass-word-1234"
    )
    other = access.create_coordinator("other@example.org", "Other", "pass-word-1234")
    boss = Actor(user=coordinator)
    registration.register_institution(by=boss, institution="INST", name="Institute", country="DK")
    tokens = {}
    sites = {}
    for code in ("NORTH", "SOUTH", "ELSEWHERE"):
        sites[code], _ = registration.register_site(
            by=boss,
            site=code,
            institution="INST",
            name=code.title(),
            country="DK",
            time_zone="Europe/Copenhagen",
        )
        _, tokens[code] = access.issue_site_token(site=sites[code], name="balance room")
    uploads.submit(kind="materials", body=MATERIALS.encode(), content_type="text/csv", by=boss)
    trial, _ = registration.register_trial(
        by=boss,
        trial="TRIAL-1",
        title="A small trial",
        schedule_days=list(DAYS),
        primary_day=28,
        sites=["NORTH", "SOUTH"],
        materials=["PAPER", "FILM-A"],
    )
    for state in ("registered", "running"):
        trial = registration.move_trial(trial=trial, state=state, reason="ready", by=boss)
    _, tokens["coordinator"] = access.issue_coordinator_token(user=coordinator, name="script")
    _, tokens["other coordinator"] = access.issue_coordinator_token(user=other, name="script")
    return World(trial, coordinator, tokens)


Call = Callable[..., HttpResponse]


@pytest.fixture
def looked_at(call: "Call") -> None:
    """Piles, bags and looks of both sites, sent as files."""
    for site in ("NORTH", "SOUTH"):
        for kind in ("piles", "bags", "retrievals"):
            answer = call("POST", f"/{kind}/", getattr(sample_files, kind)(site), as_=site)
            assert answer.status_code == 201, answer.json()


@pytest.fixture
def call(world: World) -> Call:
    """`call("POST", "/bags/", body, as_="NORTH")`; text is CSV, anything else JSON."""

    def send(
        method: str, path: str, body: Any = None, *, as_: str | None = None, **headers: str
    ) -> HttpResponse:
        headers = {name.replace("_", "-"): value for name, value in headers.items()}
        if as_ is not None:
            headers["Authorization"] = f"Bearer {world.tokens[as_]}"
        options: dict[str, Any] = {"headers": headers}
        if body is not None:
            options["data"] = body
            options["content_type"] = (
                "text/csv" if isinstance(body, str | bytes) else "application/json"
            )
        return Client().generic(method, f"/api/v1{path}", **_encoded(options))

    return send


def _encoded(options: dict[str, Any]) -> dict[str, Any]:
    data = options.get("data")
    if data is not None and not isinstance(data, str | bytes):
        options["data"] = json.dumps(data)
    return options
