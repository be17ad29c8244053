"""Pooled results, progress, and the two decisions."""

import pytest
from django.urls import reverse

from registry.models import PoolingRun, User
from tests import factories
from tests.frontend.small_trial import PASSWORD, log_in, small_trial

pytestmark = pytest.mark.django_db


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


def test_warnings_stand_before_the_number(coordinator):
    page = text_of(
        coordinator.get(reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M1"]))
    )

    assert page.index("Only four sites") < page.index("In the average pile 90 % is gone after")


def test_the_pooled_page_shows_sites_mean_new_pile_and_leave_one_out(coordinator):
    page = text_of(
        coordinator.get(reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M1"]))
    )

    assert page.count("Low Meadow yard</th>") == 3
    assert '0.0200</td><td class="number">0.0154 to 0.0260' in page
    assert "0.00952 to 0.0420" in page
    assert "+16.3 %" in page
    # Forest, influence, curve, panels, residuals and two of heat, each wide and narrow.
    assert page.count('class="chart-drawing"') == 14


def test_a_class_of_heat_without_an_answer_says_what_it_takes(coordinator, pots):
    rate = pots.run.estimates.get(material=pots.materials[1], outcome="days_to_90")
    rate.pk, rate.heat_class, rate.n_sites = None, "hot", 3
    rate.save()

    page = text_of(
        coordinator.get(reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M1"]))
    )

    assert "Hot piles (3 sites): 90 % is gone after" in page
    assert "Cool piles: no answer of their own. It takes 3 sites with such piles" in page


def test_a_material_is_compared_within_its_formulation_first(coordinator, pots):
    found = pots.run.estimates.get(material=pots.materials[1], model="fixed_day")
    same = found.compared.get()
    same.pk, same.against_reference, same.within_formulation = None, False, True
    same.save()

    page = text_of(
        coordinator.get(reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M1"]))
    )

    assert page.index("within the formulation") < page.index("with the reference</td>")


def test_an_exclusion_is_listed_with_its_reason(coordinator, pots):
    page = text_of(
        coordinator.get(reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M0"]))
    )

    assert "Compost clung to it and could not be brushed off." in page
    assert "Bag lost: missing, not zero" in page


def test_the_overview_lists_every_material_of_the_run(coordinator, pots):
    page = text_of(coordinator.get(reverse("frontend:pooled", args=["POTS-26"])))

    for material in pots.materials:
        assert material.name in page


def test_the_overview_tells_materials_apart_by_letters(coordinator):
    page = text_of(coordinator.get(reverse("frontend:pooled", args=["POTS-26"])))

    assert "Lost by day 84, %" in page
    assert "80.0 (76.0 to 84.0)</td><td>b</td>" in page


def test_a_material_is_compared_with_the_reference(coordinator):
    page = text_of(
        coordinator.get(reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M1"]))
    )

    assert "−10.0</td>" in page
    assert "−14.5 to −5.5" in page
    assert "&lt; 0.001" in page


def test_the_grid_says_what_came_out_and_what_was_lost(coordinator):
    page = text_of(coordinator.get(reverse("frontend:completeness", args=["POTS-26"])))

    assert "6 of 6" in page
    assert "5 of 6, 1 lost" in page


def test_a_stranger_may_not_see_the_grid(client, pots):
    log_in(client, User.objects.create_user("someone@example.org", PASSWORD))

    response = client.get(reverse("frontend:completeness", args=["POTS-26"]))

    assert response.status_code == 403
    assert "Not for this account" in text_of(response)


def test_nobody_is_asked_to_log_in_before_the_grid(client, pots):
    url = reverse("frontend:completeness", args=["POTS-26"])

    assert client.get(url)["Location"] == f"{reverse('frontend:login')}?next={url}"


def test_htmx_gets_the_progress_alone_and_a_browser_the_whole_page(coordinator, pots):
    url = reverse("frontend:run", args=[pots.run.pk])

    part = coordinator.get(url, headers={"HX-Request": "true"})
    whole = coordinator.get(url)

    assert "<html" not in part.content.decode()
    assert "<html" in whole.content.decode()
    assert part.content.decode().strip() in whole.content.decode()
    assert "HX-Request" in part["Vary"]


def test_a_running_run_polls_and_a_finished_one_stops(coordinator, pots):
    url = reverse("frontend:run", args=[pots.run.pk])
    assert "hx-trigger" not in coordinator.get(url).content.decode()

    PoolingRun.objects.filter(pk=pots.run.pk).update(
        state="queued", stage="pile fits", done=2, total=12, attempt=2, error="The worker died."
    )
    page = coordinator.get(url).content.decode()

    assert 'hx-trigger="every 1s"' in page
    assert "Waiting for a worker" in page
    assert '<progress id="steps" max="12" value="2">' in page
    assert "attempt 2" in page
    assert "The worker died." in page


def test_pooling_is_asked_for_once_and_shows_its_progress(
    coordinator, pots, monkeypatch, django_capture_on_commit_callbacks
):
    rung = []
    monkeypatch.setattr("registry.jobs.pooling.run_pooling.delay", rung.append)
    url = reverse("frontend:pool", args=["POTS-26"])

    with django_capture_on_commit_callbacks(execute=True):
        first = coordinator.post(url)
        again = coordinator.post(url, follow=True)

    run = PoolingRun.objects.exclude(pk=pots.run.pk).get()
    assert first["Location"] == reverse("frontend:run", args=[run.pk])
    assert rung == [run.pk]
    assert "Nothing has changed since this run" in text_of(again)


def test_asking_for_a_pooling_needs_the_right(client, pots):
    log_in(client, User.objects.create_user("someone@example.org", PASSWORD, is_coordinator=True))

    response = client.post(reverse("frontend:pool", args=["POTS-26"]), follow=True)

    assert "You may not request a pooling run here." in text_of(response)
    assert PoolingRun.objects.count() == 1


def test_a_decision_is_never_a_get(coordinator, pots):
    assert coordinator.get(reverse("frontend:pool", args=["POTS-26"])).status_code == 405
    assert coordinator.get(reverse("frontend:freeze", args=["POTS-26"])).status_code == 200
    assert pots.trial.releases.count() == 1


def test_a_release_is_frozen_only_when_it_is_meant(coordinator, pots):
    response = coordinator.post(reverse("frontend:freeze", args=["POTS-26"]), {"notes": "New."})

    assert "This field is required." in text_of(response)
    assert pots.trial.releases.count() == 1


def test_a_release_of_changed_data_is_refused_in_words(coordinator, pots):
    response = coordinator.post(reverse("frontend:freeze", args=["POTS-26"]), {"sure": "on"})

    assert pots.trial.releases.count() == 1
    assert "The present data have not been pooled" in text_of(response)


def test_before_freezing_the_page_says_what_waits(coordinator, pots):
    pile = pots.trial.piles.first()
    factories.Flag(pile=pile, code="few_bags_recovered")

    page = text_of(coordinator.get(reverse("frontend:freeze", args=["POTS-26"])))

    assert "1 finding still waits for a decision" in page
    assert "POTS-26, version 1" in page
    assert "The latest run is the one that was released already." in page


def test_a_notice_stands_beside_the_release(coordinator, client_factory, pots):
    sent = {"message": "The probes of one pile were swapped."}
    told = coordinator.post(reverse("frontend:notice", args=[pots.release.pk]), sent, follow=True)
    assert "The notice stands beside the release." in text_of(told)

    page = text_of(client_factory().get(reverse("frontend:release", args=[pots.release.pk])))

    assert "A flaw was found in this release." in page
    assert sent["message"] in page
    assert "Post the notice" not in page
    empty = coordinator.post(reverse("frontend:notice", args=[pots.release.pk]), {}, follow=True)
    assert "Say what is wrong" in text_of(empty)
    assert pots.release.notices.count() == 1


def test_the_buttons_are_shown_to_coordinators_alone(client, pots):
    url = reverse("frontend:trial", args=["POTS-26"])

    assert "Pool the data now" not in text_of(client.get(url))
    log_in(client, pots.coordinator)
    page = text_of(client.get(url))
    assert "Pool the data now" in page
    assert "Prepare the next version" in page


def test_a_run_of_unreleased_data_does_not_exist_for_others(client, db):
    made = small_trial(released=False)

    assert client.get(reverse("frontend:run", args=[made.run.pk])).status_code == 404
    assert client.get(reverse("frontend:pooled", args=["POTS-26"])).status_code == 404
