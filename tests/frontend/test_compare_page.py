"""Materials side by side."""

import pytest
from django.urls import reverse

from registry.services.figures import draw_run
from tests.frontend.small_trial import small_trial
from tests.frontend.test_public_pages import text_of

pytestmark = pytest.mark.django_db
URL = reverse("frontend:compare")


def test_materials_answer_each_question_in_the_order_asked_for(client, pots):
    page = text_of(client.get(URL, {"m": ["POTS-26-M2", "POTS-26-M0"]}))

    assert page.count('<h2 id="question-') == 7
    assert page.index("Plant clip of polyester") < page.index("Cellulose film, clear")
    assert page.count('class="chart-drawing"') == 2
    assert "Keep it out of the pile" in page


def test_no_more_than_four_are_compared_and_the_page_says_so(client, db):
    small_trial(n_materials=6)

    page = text_of(client.get(URL, {"m": [f"POTS-26-M{i}" for i in range(6)]}))

    assert "The first 4 are shown." in page
    assert "/materials/POTS-26-M3/" in page
    assert "/materials/POTS-26-M4/" not in page


def test_nothing_chosen_or_unknown_is_an_empty_page_that_helps(client, pots):
    for query in ({}, {"m": "NO-SUCH"}):
        page = text_of(client.get(URL, query))
        assert "Nothing is chosen yet." in page


def test_a_material_without_evidence_stands_beside_the_others(client, pots):
    small_trial("NEW-26", released=False)

    page = text_of(client.get(URL, {"m": ["POTS-26-M1", "NEW-26-M1"]}))

    assert "Not enough evidence yet." in page


def test_queries_do_not_grow_with_sites_and_the_figures_are_not_drawn(client, db, count_queries):
    made = small_trial(n_materials=4, n_sites=3)
    draw_run(made.run.pk)
    other = small_trial("BIG-26", n_materials=4, n_sites=9)
    draw_run(other.run.pk)

    small, large = (
        count_queries(client, f"{URL}?m={code}-M1&m={code}-M2") for code in ("POTS-26", "BIG-26")
    )
    assert small == large <= 8
