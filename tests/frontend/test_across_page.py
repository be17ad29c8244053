"""A material over all released trials as a page: pooled, not pooled, and with studies elsewhere."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from tests import factories
from tests.api.test_across_trials import released, three_trials

pytestmark = pytest.mark.django_db


@pytest.fixture
def sites():
    return [factories.Site() for _ in range(4)]


@pytest.fixture
def material():
    return factories.Material(name="Coir pot")


def page_of(client, **query):
    response = client.get(reverse("frontend:across"), query)
    assert response.status_code == 200
    return " ".join(response.content.decode().split())


def study_of(material, effect=-3.9):
    study = factories.OutsideStudy(code="FIELD-2019", source="A. Author (2019). Heaps.")
    factories.OutsideEffect(
        study=study, material=material, site="Plot 1", measure="log_decay_rate", effect=effect
    )
    return study


def test_the_page_says_what_the_api_says(client, material, sites):
    three_trials(material, sites)
    told = client.get("/api/v1/estimates/across/", {"material": material.code}).json()["pooled"]

    page = page_of(client, material=material.code, outcome="decay_rate")

    assert f"Over 3 trials at 4 sites, the average rate is {told['estimate']:.4f} per day" in page
    assert f"{told['ci_low']:.4f} to {told['ci_high']:.4f} per day" in page
    assert page.count('class="chart-drawing"') == 2
    assert "Mean of released trials" in page
    assert page.count(", version 1</a>") == 6


def test_trials_that_differ_too_much_have_no_mean_in_words_or_picture(client, material, sites):
    for n, effect in enumerate((-5.0, -3.0, -1.5)):
        released(material, [(sites[n], effect, 0.05), (sites[3], effect + 0.1, 0.05)])

    page = page_of(client, material=material.code, outcome="decay_rate")

    assert "The trials differ too much to pool. Read them side by side." in page
    assert "not advised: the trials differ too much" in page
    assert "Mean of released trials" not in page


def test_studies_from_elsewhere_are_marked_cited_and_pooled_apart(client, material, sites):
    three_trials(material, sites)
    without = page_of(client, material=material.code, outcome="decay_rate")
    study_of(material)

    page = page_of(client, material=material.code, outcome="decay_rate")

    assert "from elsewhere" not in without
    assert "FIELD-2019 <strong>from elsewhere</strong>" in page
    assert "A. Author (2019). Heaps." in page
    assert "FIELD-2019, Plot 1 (from elsewhere)" in page
    assert "With the studies from elsewhere" in page
    # The headline is of our own trials all the same.
    assert without.split('class="saying">')[1][:120] == page.split('class="saying">')[1][:120]


def test_one_trial_is_not_pooled_over_trials(client, material, sites):
    released(material, [(sites[0], -4.0, 0.1)])

    page = page_of(client, material=material.code, outcome="decay_rate")

    assert "One trial has released an estimate" in page
    assert "Pooled over trials" not in page


def test_a_family_is_offered_when_public_materials_share_a_base(client, sites):
    pots = [factories.Material(code=f"POT-{n}", name=f"Pot {n}") for n in (1, 2)]
    for pot in pots:
        factories.Composition(material=pot, component="coir", function="fibre", mass_pct=100)
        three_trials(pot, sites)

    page = page_of(client, family="coir", outcome="decay_rate")

    assert '<option value="coir" selected>Coir</option>' in page
    assert "Materials of coir over all trials" in page
    assert "POT-1" in page
    assert "POT-2" in page


@pytest.mark.parametrize(
    "query", [{}, {"material": "NO-SUCH"}, {"family": "x\x00"}, {"outcome": "z", "material": ""}]
)
def test_nothing_chosen_or_known_shows_the_choice_and_no_number(client, material, query):
    page = page_of(client, **query)

    assert "One material over all trials" in page
    assert "Every estimate" not in page


def test_more_trials_cost_no_more_queries(client, material, sites):
    counts = []
    for _ in range(2):
        three_trials(material, sites)
        with CaptureQueriesContext(connection) as queries:
            page_of(client, material=material.code, outcome="decay_rate")
        counts.append(len(queries))

    assert counts[0] == counts[1] <= 10
