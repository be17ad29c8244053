"""Asking for a report: made once by the workers, refused when data moved on, kept as a file."""

import os
import time
from pathlib import Path

import pytest
from django.test import Client
from django.urls import reverse

from registry.jobs import reports as jobs
from registry.models import Bag, Retrieval
from registry.services import reports
from registry.services.pooling import execute_run, open_run
from registry.services.releases import freeze_release
from tests import factories
from tests.packages.stored_trial import stored_trial
from tests.paper.reading import pages_of

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def folders(settings, tmp_path):
    settings.RELEASES_DIR, settings.REPORTS_DIR = tmp_path / "releases", tmp_path / "reports"


@pytest.fixture
def asked(monkeypatch):
    """Numbers that the workers were rung with, instead of ringing."""
    found = []
    for task in (jobs.make_release_report, jobs.make_run_report):
        monkeypatch.setattr(task, "delay", found.append)
    return found


@pytest.fixture
def released():
    trial, coordinator = stored_trial()
    run, _ = open_run(trial=trial, by=coordinator)
    assert execute_run(run.pk)
    return freeze_release(trial=trial, by=coordinator), coordinator.user


def whole(answer) -> bytes:
    return b"".join(answer.streaming_content) if answer.streaming else answer.content


def test_a_release_is_printed_once_by_a_worker_and_then_served_to_anyone(released, asked):
    release, _ = released
    address = f"/api/v1/trials/POTS-2026/releases/{release.version}/report/"

    first, second = Client().get(address), Client().get(address)
    assert (first.status_code, first.json()) == (202, {"state": "being_made"})
    assert int(first["Retry-After"]) > 0
    assert second.status_code == 202
    # Rung once, however often people look.
    assert asked == [release.pk]

    reports.make_release_report(release.pk)
    answer = Client().get(address)
    page = Client().get(reverse("frontend:release-report", args=[release.pk]))

    assert answer["Content-Type"] == "application/pdf"
    pages = pages_of(whole(answer))
    assert "Release, version 1" in pages[0]
    assert answer["ETag"]
    assert "Download the report (PDF)" in page.content.decode()
    assert asked == [release.pk]


def test_a_run_is_printed_for_its_coordinators_while_the_data_are_the_same(released, asked):
    release, coordinator = released
    client = Client()
    client.force_login(coordinator)
    address = reverse("api:run-report", args=[release.run_id])

    assert client.get(address).status_code == 202
    reports.make_run_report(release.run_id)
    pages = pages_of(whole(client.get(address)))
    assert "not released" in pages[0]

    # Lost, and the data have moved on: it cannot be made again.
    (made,) = Path(reports.settings.REPORTS_DIR).glob("*.pdf")
    made.unlink()
    bag = Bag.objects.first()
    Retrieval.objects.create(bag=bag, retrieved_on="2026-12-01", outcome="bag_lost")
    refused = client.get(address)
    page = client.get(reverse("frontend:run-report", args=[release.run_id]), follow=True)

    assert refused.status_code == 409
    assert refused.json()["code"] == "report_of_other_data"
    assert "Data changed since this run" in page.content.decode()


def test_a_report_that_failed_says_why_and_is_tried_again_later(released, asked, monkeypatch):
    release, _ = released
    address = reverse("api:release-report", args=[release.pk])
    package = Path(reports.settings.RELEASES_DIR) / release.package_name
    package.write_bytes(b"no zip at all")
    with pytest.raises(Exception, match="cannot be read as a zip"):
        reports.make_release_report(release.pk)

    answer = Client().get(address)
    assert answer.status_code == 503
    assert answer.json()["code"] == "report_not_made"
    assert "cannot be read as a zip" in answer.json()["detail"]

    (refused,) = Path(reports.settings.REPORTS_DIR).glob("*.refused")
    before = time.time() - reports.TRY_AGAIN_AFTER_S - 1
    os.utime(refused, (before, before))
    assert Client().get(address).status_code == 202
    assert asked == [release.pk]


def test_the_report_of_an_embargoed_release_is_not_there(released, asked):
    release, _ = released
    release.trial.embargo_until = "2999-01-01"
    release.trial.save()

    for name in ("api:release-report", "frontend:release-report"):
        assert Client().get(reverse(name, args=[release.pk])).status_code == 404
    assert asked == []


def test_a_run_that_is_not_finished_has_no_report(asked):
    trial, coordinator = stored_trial()
    run = factories.PoolingRun(trial=trial, state="queued")
    client = Client()
    client.force_login(coordinator.user)

    answer = client.get(reverse("api:run-report", args=[run.pk]))

    assert answer.status_code == 409
    assert asked == []
