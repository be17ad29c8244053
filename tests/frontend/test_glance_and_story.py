"""A trial at a glance, what waits for a worker, and the audit trail."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from frontend.presenters.audit import KIND_WORDS, deed
from frontend.presenters.glance import work_sentence
from registry.models import AuditEvent, PoolingRun, Retrieval
from registry.permissions import Actor
from registry.queries.audit_trail import KINDS
from registry.queries.work_waiting import work_waiting
from registry.services import audit
from registry.services.quality import correct_retrieval, decide_flag
from tests import factories

pytestmark = pytest.mark.django_db

NOW = timezone.now()


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


@pytest.fixture
def glance() -> str:
    return reverse("frontend:glance", args=["POTS-26"])


@pytest.fixture
def story() -> str:
    return reverse("frontend:trial-story", args=["POTS-26"])


def test_the_glance_says_what_is_complete_what_waits_and_what_is_in_doubt(
    coordinator, pots, glance
):
    pile = pots.trial.piles.order_by("pk").first()
    pots.materials[2].role = "negative_control"
    pots.materials[2].save()
    Retrieval.objects.filter(
        bag__pile=pile, bag__material=pots.materials[2], outcome="recovered"
    ).update(dry_mass_g=11.0)
    factories.Flag(pile=pile, code="few_bags_recovered")
    factories.Upload(trial=pots.trial, file_name="week-2.csv", site=pots.sites[0])

    page = text_of(coordinator.get(glance))

    assert "5 of 6, 1 lost" in page
    assert "1 finding waits for a decision" in page
    assert "The controls put" in page
    assert "gained mass: compost adheres (110 % left)" in page
    assert "heat not known: 8" in page
    assert "week-2.csv" in page
    assert "No work waits for a worker." in page


def test_the_glance_asks_a_fixed_number_of_queries(coordinator, pots, glance, count_queries):
    before = count_queries(coordinator, glance)
    for site in pots.sites:
        pile = factories.Pile(site=site, trial=pots.trial, code="P9")
        factories.Bag(trial=pots.trial, pile=pile, material=pots.materials[0])
        factories.Upload(trial=pots.trial, site=site)

    assert count_queries(coordinator, glance) == before


def _queued(trial, waited: timedelta, now=NOW) -> PoolingRun:
    run = factories.PoolingRun(trial=trial, state="queued", input_digest="a" * 64)
    PoolingRun.objects.filter(pk=run.pk).update(requested_at=now - waited)
    return run


def test_a_job_that_waits_a_moment_is_no_reason_to_worry(pots):
    _queued(pots.trial, timedelta(seconds=20))

    said = work_sentence(work_waiting(NOW))

    assert said.said == "1 piece of work waits for a worker, the oldest for 20 seconds."
    assert said.advice == ""


def test_a_worker_that_is_behind_is_named_with_what_to_do(coordinator, pots, glance):
    run = _queued(pots.trial, timedelta(minutes=12), timezone.now())

    for url in (glance, reverse("frontend:run", args=[run.pk])):
        page = text_of(coordinator.get(url))
        assert "The worker is behind" in page
        assert "the oldest for 12 minutes" in page
        assert "coheap worker" in page


def test_a_run_whose_worker_died_waits_too(pots):
    factories.PoolingRun(
        trial=pots.trial,
        state="running",
        attempt=1,
        input_digest="b" * 64,
        lease="0" * 32,
        lease_until=NOW - timedelta(minutes=5),
    )

    assert work_waiting(NOW).n_runs == 1


def test_the_audit_trail_reads_like_a_story(coordinator, pots, story):
    by = Actor(user=pots.coordinator)
    look = Retrieval.objects.filter(bag__trial=pots.trial, outcome="recovered")[3]
    flag = factories.Flag(pile=look.bag.pile, bag=look.bag, code="start_mass_off_batch")
    decide_flag(flag=flag, decision="exclude", reason="Wrong label: it says 3.", by=by)
    correct_retrieval(retrieval=look, field="dry_mass_g", value="4", reason="Tare.", by=by)
    lab = Actor(site=pots.sites[0], token=factories.AccessToken(site=pots.sites[0]))
    audit.record("upload_stored", "Upload 7: 12 bags new, 3 unchanged", lab, pots.trial)

    page = text_of(coordinator.get(story))

    assert "<strong>Trial office</strong>:" in page
    assert "excluded what a rule had found: Start mass far from its batch" in page
    assert "<q>Wrong label: it says 3.</q>" in page
    assert f"corrected the look at {look.bag.label}" in page
    assert "<strong>The lab of Low Meadow yard</strong>" in page
    assert "sent 12 new rows of bags, and 3 stored before" in page
    only = text_of(coordinator.get(story, {"kind": "data"}))
    assert "corrected the look" in only
    assert "Wrong label" not in only
    assert coordinator.get(story, {"kind": "x", "page": "y"}).status_code == 200


def test_a_sentence_of_another_form_is_shown_as_it_was_written(pots):
    event = AuditEvent(action="upload_stored", summary="Upload lost in thought", happened_at=NOW)

    assert deed(event).what == "Upload lost in thought"


def test_every_kind_has_a_name():
    assert set(KIND_WORDS) == set(KINDS)


def test_the_story_asks_a_fixed_number_of_queries(coordinator, pots, story, count_queries):
    by = Actor(user=pots.coordinator)
    audit.record("pooling_requested", "Pooling run 1 requested", by, pots.trial)
    before = count_queries(coordinator, story)
    for site in pots.sites:
        lab = Actor(site=site, token=factories.AccessToken(site=site))
        audit.record("upload_stored", "Upload 7: 12 bags new, 0 unchanged", lab, pots.trial)

    assert count_queries(coordinator, story) == before
