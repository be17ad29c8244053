"""A running trial of two sites, with a third site outside it, and the people who send to it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
import time_machine
from django.conf import LazySettings
from django.db.models import Model

from registry import models
from registry.permissions import Actor
from registry.services import uploads
from tests import factories

FILES = Path(__file__).parents[2] / "fixtures" / "uploads"
# After every look of the files, and after both changes of the clock that they speak of.
NOW = datetime(2027, 6, 1, 12, tzinfo=UTC)
ROWS: tuple[type[Model], ...] = (
    models.Material,
    models.Composition,
    models.Pile,
    models.Feedstock,
    models.Turning,
    models.ProbeDay,
    models.Bag,
    models.Retrieval,
)


@dataclass(frozen=True)
class Places:
    """Who sends from where."""

    trial: models.Trial
    north: Actor
    south: Actor
    elsewhere: Actor
    coordinator: Actor
    other_coordinator: Actor


@pytest.fixture
def after_the_trial() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def own_folder(settings: LazySettings, tmp_path: Path) -> None:
    settings.UPLOADS_DIR = tmp_path / "uploads"


def make_places() -> Places:
    trial = factories.Trial(code="TRIAL-1")
    sites = {code: factories.Site(code=code) for code in ("NORTH", "SOUTH", "ELSEWHERE")}
    trial.sites.set([sites["NORTH"], sites["SOUTH"]])
    paper = factories.Material(code="PAPER", form="sheet", role="positive_control")
    trial.materials.set([paper, factories.Material(code="FILM-A", form="film")])
    people = [factories.User(is_coordinator=True) for _ in range(2)]
    trial.coordinators.set(people[:1])
    factories.Trial(code="TRIAL-2").coordinators.set(people[1:])
    labs = [Actor(site=site, token=factories.AccessToken(site=site)) for site in sites.values()]
    return Places(trial, *labs, Actor(user=people[0]), Actor(user=people[1]))


@pytest.fixture
def places(db: None, own_folder: None, after_the_trial: None) -> Places:
    return make_places()


def send(kind: str, text: str | bytes, by: Actor, **options: object) -> models.Upload:
    body = text.encode() if isinstance(text, str) else text
    options.setdefault("content_type", "text/csv")
    return uploads.submit(kind=kind, body=body, by=by, **options)  # type: ignore[arg-type]


def good_file(kind: str) -> bytes:
    return (FILES / "good" / f"{kind}.csv").read_bytes()


def plant(places: Places) -> None:
    """NORTH's two piles and four bags."""
    for kind in ("piles", "bags"):
        send(kind, good_file(kind), places.north)


@pytest.fixture
def planted(places: Places) -> Places:
    plant(places)
    return places


@pytest.fixture
def stored() -> Callable[[], dict[str, int]]:
    """How many rows of each kind are stored now."""
    return lambda: {model.__name__: model._default_manager.count() for model in ROWS}
