"""Language and units: kept in the browser, shown on growers' pages, never in what is stored."""

import pytest
from django.conf import settings
from django.urls import reverse

from frontend.preferences import COOKIE, Preferences, read
from registry.models import Rating
from tests.frontend.test_public_pages import text_of

pytestmark = pytest.mark.django_db
URL = reverse("frontend:preferences")
CHOICE = {"language": "de", "time": "days", "heat": "f"}


@pytest.mark.parametrize("cookie", ["", "days", "days.f.x", "weeks.k", "\u2603", ".", "days.f"])
def test_any_cookie_can_be_read(cookie):
    assert read(cookie) in {Preferences(t, h) for t in ("weeks", "days") for h in ("c", "f")}


def test_a_choice_holds_for_the_pages_that_follow_and_leads_back(client, pots):
    material = reverse("frontend:material", args=["POTS-26-M1"])
    before = Rating.objects.values().order_by("pk")
    stored = list(before)

    answer = client.post(URL, {**CHOICE, "next": material})
    page = text_of(client.get(material))

    assert answer["Location"] == material
    assert 'lang="de"' in page
    assert "In etwa 2 von 10 Haufen wie diesen ist es nach 84 Tagen weg" in page
    assert "131 °F" in page
    assert "Tage im Haufen" in page  # the picture, too
    assert list(before.all()) == stored


def test_a_page_kept_for_one_reader_is_not_served_to_another(client, client_factory, pots):
    url = reverse("frontend:materials")
    assert "12 weeks" in text_of(client.get(url))

    other = client_factory()
    other.cookies[COOKIE] = "days.c"
    assert "84 days" in text_of(other.get(url))
    assert "12 weeks" in text_of(client.get(url))


def test_a_browser_that_asks_for_german_gets_it_without_a_choice(client, pots):
    page = text_of(client.get(reverse("frontend:home"), headers={"accept-language": "de-AT,en"}))

    assert 'lang="de"' in page
    assert "Bisherige Ergebnisse" in page


def test_a_page_that_is_not_translated_says_that_it_is_english(client, pots):
    client.cookies[settings.LANGUAGE_COOKIE_NAME] = "de"

    page = text_of(client.get(reverse("frontend:trial", args=["POTS-26"])))

    assert 'lang="en-gb"' in page
    assert "Anmelden" not in page


@pytest.mark.parametrize("elsewhere", ["https://evil.example/", "//evil.example", "javascript:1"])
def test_the_way_back_stays_here(client, db, elsewhere):
    answer = client.post(URL, {**CHOICE, "next": elsewhere})

    assert answer["Location"] == reverse("frontend:materials")


def test_an_unknown_choice_is_said_beside_the_field(client, db):
    page = text_of(client.post(URL, {**CHOICE, "heat": "kelvin"}))

    assert 'class="field-error"' in page
    assert client.cookies.get(COOKIE) is None
