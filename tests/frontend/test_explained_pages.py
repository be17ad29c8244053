"""The exploratory page of a run, and the diagnostics on a material's page."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from tests.frontend.small_trial import small_trial

pytestmark = pytest.mark.django_db
PAGE = reverse("frontend:explained", args=["POTS-26"])
MATERIAL = reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M1"])


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


def test_the_page_says_exploratory_before_any_number(coordinator):
    page = text_of(coordinator.get(PAGE))

    assert page.index("Exploratory: nobody laid this trial out") < page.index("times as high")
    assert "10 points more filler goes with a rate 1.13 times as high" in page
    assert "No answer: It takes 3 sites that had both." in page
    # One figure of the filler, wide and narrow; the refused pair has no rates to draw.
    assert page.count('class="chart-drawing"') == 2


def test_heat_stands_in_a_table_of_all_materials(coordinator, pots):
    page = text_of(coordinator.get(PAGE))

    for material in pots.materials:
        assert material.name in page
    assert "5 °C more</td>" in page


def test_the_overview_leads_to_it(coordinator):
    assert PAGE in text_of(coordinator.get(reverse("frontend:pooled", args=["POTS-26"])))


def test_a_material_shows_influence_residuals_and_heat(coordinator):
    page = text_of(coordinator.get(MATERIAL))

    assert "How much each site moves the mean" in page
    assert "What the curves leave over" in page
    assert "Rate and heat of the pile" in page
    assert "5 °C more on average goes with a rate" in page


def test_the_page_costs_the_same_queries_for_more_materials(client, pots):
    small_trial("MORE-26", n_materials=6)
    for page in (PAGE, reverse("frontend:explained", args=["MORE-26"])):
        client.get(page)  # the first visit draws

    counts = []
    for page in (PAGE, reverse("frontend:explained", args=["MORE-26"])):
        with CaptureQueriesContext(connection) as queries:
            assert client.get(page).status_code == 200
        counts.append(len(queries))

    assert counts[0] == counts[1]
