"""Materials side by side."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
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


def test_queries_are_the_same_for_two_materials_and_for_four(client, db):
    draw_run(small_trial(n_materials=4, n_sites=3).run.pk)

    counts = []
    for n in (2, 4):
        with CaptureQueriesContext(connection) as queries:
            page = text_of(client.get(URL, {"m": [f"POTS-26-M{i}" for i in range(n)]}))
        assert page.count('class="chart-drawing"') == n
        counts.append(len(queries))

    assert counts[0] == counts[1] <= 8
