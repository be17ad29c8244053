"""A look and a bag: their story, and corrections that lose nothing."""

import pytest
from django.db import connection
from django.urls import reverse

from registry.models import Correction, Retrieval
from registry.permissions import Actor
from registry.services.quality import correct_retrieval, decide_flag
from tests import factories
from tests.frontend.small_trial import log_in

pytestmark = pytest.mark.django_db


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


@pytest.fixture
def look(pots) -> Retrieval:
    rows = Retrieval.objects.filter(bag__trial=pots.trial, outcome="recovered").order_by("pk")
    return rows.select_related("bag__pile__site")[5]


@pytest.fixture
def url(look) -> str:
    return reverse("frontend:look", args=[look.pk])


def sent(value: str, revision: int = 1, field: str = "dry_mass_g") -> dict[str, str]:
    return {"field": field, "value": value, "reason": "Tare forgotten.", "revision": str(revision)}


def test_a_correction_keeps_the_old_value_readable(coordinator, look, url):
    look.dry_mass_g = 4.5
    look.save()

    answer = coordinator.post(url, sent("4.25"), follow=True)

    page = text_of(answer)
    assert "corrected Dry residue from 4.5 g to 4.25 g" in page
    assert "Tare forgotten." in page
    assert "Trial office" in page


def test_a_lost_update_is_refused_with_both_values(coordinator, pots, look, url):
    by = Actor(user=pots.coordinator)
    correct_retrieval(retrieval=look, field="dry_mass_g", value="4.25", reason="Tare.", by=by)

    answer = coordinator.post(url, sent("4.75"))

    page = text_of(answer)
    assert answer.status_code == 412
    assert "Nothing was changed: somebody was faster" in page
    assert "stored now</dt><dd>4.25 g</dd>" in page
    assert "as you want it</dt><dd>4.75 g</dd>" in page
    assert Correction.objects.count() == 1

    again = coordinator.post(url, sent("4.75", revision=2), follow=True)
    assert "from 4.25 g to 4.75 g" in text_of(again)


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("dry_mass_g", "4,25", "decimal"),
        ("dry_mass_g", "-1", "outside 0.0001 to 3000 g"),
        ("dry_mass_g", "", "would break a rule"),
        ("outcome", "eaten", "outcome"),
        ("fragmentation", "9", "outside 0 to 5"),
    ],
)
def test_a_wrong_value_is_refused_in_words(coordinator, look, url, field, value, said):
    answer = coordinator.post(url, sent(value, field=field))

    assert answer.status_code == 200
    assert 'class="field-error"' in answer.content.decode()
    assert said in text_of(answer)
    assert not Correction.objects.exists()


def test_a_lab_corrects_its_own_look_and_no_other(client, pots, look, url):
    other = next(site for site in pots.sites if site != look.bag.pile.site)
    log_in(client, factories.SiteMembership(site=other).user)
    assert client.post(url, sent("4.25")).status_code == 404

    log_in(client, factories.SiteMembership(site=look.bag.pile.site).user)
    client.post(url, sent("4.25"))

    assert Correction.objects.get().new_value == "4.25"


def test_the_story_tells_decisions_and_what_came_past_the_services(coordinator, pots, look):
    with connection.cursor() as cursor:
        cursor.execute("UPDATE registry_retrieval SET notes = 'x' WHERE id = %s", [look.pk])
    flag = factories.Flag(
        pile=look.bag.pile, retrieval=look, code="hidden_compost", message="Much ash."
    )
    by = Actor(user=pots.coordinator)
    decide_flag(flag=flag, decision="exclude", reason="Compost in it.", by=by)

    page = text_of(coordinator.get(reverse("frontend:bag", args=[look.bag_id])))

    assert "Ash says that compost hides in the residue: excluded from pooling" in page
    assert "<q>Compost in it.</q>" in page
    assert "somebody with the database itself</strong>: Changed: Notes from empty to x" in page


def test_the_pages_ask_a_fixed_number_of_queries(coordinator, look, url, count_queries):
    bag = reverse("frontend:bag", args=[look.bag_id])
    coordinator.post(url, sent("4.25"))
    factories.Flag(pile=look.bag.pile, retrieval=look, code="hidden_compost")
    coordinator.post(url, sent("4.1", revision=2))
    before = count_queries(coordinator, url), count_queries(coordinator, bag)
    for n in range(3, 6):
        coordinator.post(url, sent(f"4.{n}", revision=n))
    factories.Flag(pile=look.bag.pile, retrieval=look, code="replicate_spread")

    assert (count_queries(coordinator, url), count_queries(coordinator, bag)) == before
