"""Surroundings of every test: own folder, own broker, no network. Loaded before Django's settings.

With DATABASE_URL and BROKER_URL set, the same tests run on those services; else on the embedded
Postgres and on messages in files. Parallel test processes share nothing.
"""

import os
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

import django
import pytest
from django.db import connection
from django.test.utils import override_settings

from registry.config.celery import app
from registry.embedded.children import Keeper
from registry.embedded.worker import running_worker

PROJECT_DIR = Path(__file__).resolve().parent.parent


def _settle_environment() -> None:
    """Give this process its settings. Parallel processes inherit what the first one kept."""
    environ = os.environ
    home = environ.setdefault(
        "COHEAP_TEST_HOME", str(Path(environ.get("DATA_DIR", PROJECT_DIR / "var")) / "test")
    )
    process = environ.get("PYTEST_XDIST_WORKER", "main")
    environ["DATA_DIR"] = str(Path(home) / process)
    broker = environ.setdefault("COHEAP_TEST_BROKER", environ.get("BROKER_URL", ""))
    if broker:
        environ["BROKER_URL"] = _broker_for(process, broker)
    for variable in ("ALLOWED_HOSTS", "BASE_URL", "DEBUG"):
        environ.pop(variable, None)
    environ["SECRET_KEY"] = "only-for-tests-" * 4
    environ["DJANGO_SETTINGS_MODULE"] = "registry.config.settings"
    # The test processes share the cores already.
    environ.setdefault("OMP_NUM_THREADS", "1")
    environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _broker_for(process: str, url: str) -> str:
    """Another Redis database for each parallel process: gw0 takes the one after the given."""
    if not process.startswith("gw"):
        return url
    given = int(urlsplit(url).path.strip("/") or 0)
    return urlsplit(url)._replace(path=f"/{given + 1 + int(process[2:])}").geturl()


_settle_environment()
# Here, not in pytest_configure: the conftest files of folders import models before that.
django.setup()
# Parallel processes would inherit the name, and pytest-django would then load their settings before
# this file has given them a folder and a queue of their own.
del os.environ["DJANGO_SETTINGS_MODULE"]

pytest_plugins = ["tests.world"]


@pytest.fixture(scope="session", autouse=True)
def _quick_and_plain_settings() -> Iterator[None]:
    """Cheap password hashes, and static files under their own names."""
    plain = {
        "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }
    hashers = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    with override_settings(STORAGES=plain, PASSWORD_HASHERS=hashers):
        yield


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """Before the test database goes, end what a killed worker or an aborted stream left in it."""
    yield
    with django_db_blocker.unblock(), connection.cursor() as cursor:
        cursor.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
            " WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )


@pytest.fixture(scope="session", autouse=True)
def _no_network() -> Iterator[None]:
    """Tests talk to this machine only."""
    connect = socket.socket.connect

    def connect_here(self: socket.socket, address: Any) -> None:
        if self.family in (socket.AF_INET, socket.AF_INET6):
            host = address[0]
            if host not in ("localhost", "::1") and not host.startswith("127."):
                raise AssertionError(f"A test tried to reach {host}.")
        connect(self, address)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", connect_here)
        yield


@pytest.fixture
def background_worker(transactional_db: None) -> Iterator[Keeper]:
    """A real Celery worker in processes of its own, over this test's database and queue."""
    with app.connection_for_write() as broker:
        broker.SimpleQueue(app.conf.task_default_queue).clear()
    with running_worker(environment={"DATABASE_URL": address_of_test_database()}) as worker:
        yield worker


def address_of_test_database() -> str:
    known = connection.get_connection_params()
    person = quote(known.get("user", ""), safe="")
    if known.get("password"):
        person += ":" + quote(known["password"], safe="")
    place = {name: known[name] for name in ("host", "port") if known.get(name)}
    return f"postgres://{person}@/{quote(known['dbname'], safe='')}?{urlencode(place)}"
