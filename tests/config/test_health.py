import pytest
from django.db import OperationalError
from django.db.migrations.recorder import MigrationRecorder

from registry.config import health


def test_live_asks_nothing_of_the_database(client):
    answer = client.get("/health/live")

    assert answer.status_code == 200
    assert answer.json() == {"status": "live"}


@pytest.mark.django_db
def test_ready_names_everything_it_looked_at(client):
    answer = client.get("/health/ready")

    assert answer.status_code == 200
    assert answer.json()["checks"] == {"database": "ok", "migrations": "ok", "broker": "ok"}
    assert "no-store" in answer["Cache-Control"]


@pytest.mark.django_db
def test_a_migration_that_is_not_applied_makes_it_not_ready(client):
    MigrationRecorder.Migration.objects.filter(app="registry").delete()

    answer = client.get("/health/ready")

    assert answer.status_code == 503
    assert answer["Content-Type"] == "application/problem+json"
    assert int(answer["Retry-After"]) > 0
    assert "run coheap migrate" in answer.json()["checks"]["migrations"]
    assert answer.json()["checks"]["database"] == "ok"


def test_a_database_that_is_down_makes_it_not_ready_and_tells_no_secrets(client, monkeypatch):
    class Down:
        def cursor(self):
            raise OperationalError("connection to db.internal with password hunter2 failed")

    monkeypatch.setattr(health, "connection", Down())
    monkeypatch.setitem(health.CHECKS, "migrations", lambda: None)

    answer = client.get("/health/ready")

    assert answer.status_code == 503
    assert answer.json()["checks"]["database"] == "does not answer"
    assert "hunter2" not in answer.content.decode()


@pytest.mark.django_db
def test_a_queue_that_cannot_be_reached_makes_it_not_ready(client, settings, tmp_path, monkeypatch):
    if settings.EXTERNAL_BROKER:
        monkeypatch.setattr(health.app.conf, "broker_write_url", "redis://127.0.0.1:1/0")
    else:
        settings.QUEUE_DIR = tmp_path / "missing"

    answer = client.get("/health/ready")

    assert answer.status_code == 503
    assert answer.json()["checks"]["broker"] != "ok"


def test_health_cannot_be_posted_to(client):
    assert client.post("/health/live").status_code == 405
