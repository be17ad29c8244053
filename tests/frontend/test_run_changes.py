"""What moved since the last run, and which data caused it."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from registry.models import HISTORY, PooledEstimate, PoolingRun, Retrieval, Trial
from registry.permissions import Actor
from registry.queries.run_changes import changes_since_last_run
from registry.services.pooling import execute_run, open_run
from registry.services.quality import correct_retrieval, decide_flag
from tests import factories
from tests.frontend.small_trial import log_in, small_trial

# Triggers write the time of their transaction, so each step needs one of its own.
pytestmark = pytest.mark.django_db(transaction=True)


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


@pytest.fixture
def pots(transactional_db):
    return small_trial(released=False)


@pytest.fixture
def pooled(pots):
    """Pool the present data."""

    def run() -> PoolingRun:
        found, created = open_run(trial=pots.trial, by=Actor(user=pots.coordinator))
        assert created
        assert execute_run(found.pk)
        return PoolingRun.objects.select_related("trial").get(pk=found.pk)

    return run


@pytest.fixture
def look(pots) -> Retrieval:
    rows = Retrieval.objects.filter(bag__trial=pots.trial, bag__material=pots.materials[1])
    return rows.filter(outcome="recovered", flags=None).select_related("bag__pile")[3]


def test_the_first_run_has_nothing_to_compare_with(pots):
    assert changes_since_last_run(pots.run) is None


def test_a_correction_names_what_it_moved(coordinator, pots, pooled, look):
    pooled()
    by = Actor(user=pots.coordinator)
    correct_retrieval(retrieval=look, field="dry_mass_g", value="9.9", reason="Swapped.", by=by)

    found = changes_since_last_run(pooled())

    assert [one.retrieval for one in found.causes.corrections] == [look]
    mine = [row for row in found.moved if row.now.material == look.bag.material]
    assert mine
    assert all(
        row.in_errors == pytest.approx(_in_errors(row.before, row.now))
        for row in mine
        if row.now.outcome == "decay_rate"
    )
    page = text_of(coordinator.get(reverse("frontend:pooled", args=["POTS-26"])))
    assert "Corrected values: 1." in page
    assert "Swapped." in page
    assert "1 corrected" in page


def _in_errors(before: PooledEstimate, now: PooledEstimate) -> float:
    return (now.log_estimate - before.log_estimate) / before.log_standard_error


def test_an_exclusion_and_its_way_back_are_told_apart(pots, pooled, look):
    pooled()
    by = Actor(user=pots.coordinator)
    flag = factories.Flag(pile=look.bag.pile, bag=look.bag, code="start_mass_off_batch")
    decide_flag(flag=flag, decision="exclude", reason="Wrong label.", by=by)
    first = changes_since_last_run(pooled())
    decide_flag(flag=flag, decision="accept", reason="Right label.", by=by)
    second = changes_since_last_run(pooled())

    assert ([f.pk for f in first.causes.excluded], first.causes.taken_back) == ([flag.pk], ())
    assert (second.causes.excluded, [f.pk for f in second.causes.taken_back]) == ((), [flag.pk])
    assert first.causes.looks_of(look.bag.material_id) == (0, 0, 1)
    assert first.causes.looks_of(pots.materials[0].pk) == (0, 0, 0)


def test_new_looks_are_counted_by_material(pots, pooled, look):
    pooled()
    upload = factories.Upload(
        kind="retrievals", trial=pots.trial, created=1, rows=1, finished_at=timezone.now()
    )
    day = look.retrieved_on + timedelta(days=1)
    new = {"outcome": "recovered", "dry_mass_g": 3.0, "upload": upload}
    factories.Retrieval(bag=look.bag, retrieved_on=day, **new)

    found = changes_since_last_run(pooled())

    assert found.causes.uploads == (("retrievals", 1, 1),)
    assert found.causes.new_looks == {look.bag.material_id: 1}


def test_another_detection_limit_is_a_cause_and_a_new_state_is_none(pots, pooled):
    pooled()
    Trial.objects.filter(pk=pots.trial.pk).update(state="closed")
    Trial.objects.filter(pk=pots.trial.pk).update(detection_limit=0.03)
    pots.trial.refresh_from_db()
    assert changes_since_last_run(pooled()).causes.trial_changed
    assert HISTORY[Trial]._default_manager.count() == 2


def test_the_causes_are_for_the_coordinators(client, pots, pooled, look):
    pooled()
    by = Actor(user=pots.coordinator)
    correct_retrieval(retrieval=look, field="dry_mass_g", value="9.9", reason="Swapped.", by=by)
    pooled()
    other = next(site for site in pots.sites if site != look.bag.pile.site)
    log_in(client, factories.SiteMembership(site=other).user)

    page = text_of(client.get(reverse("frontend:pooled", args=["POTS-26"])))

    assert "All materials of the run" in page
    assert "Swapped." not in page
