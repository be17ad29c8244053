"""Growers' texts can be read by a twelve-year-old, which is to say: quickly, by anyone, outdoors.

The bar is a Flesch-Kincaid grade of at most 8 and a reading ease of at least 60 ("plain English";
Flesch 1948, Journal of Applied Psychology 32, 221-233; Kincaid and others 1975, Research Branch
Report 8-75). Grade 8 is what guides for public information commonly ask for (from memory). Both
formulas need some length, so texts are judged together, part by part; single sentences have a
limit of their own against the one that nobody can follow.
"""

import itertools
import re
import warnings
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from django.urls import reverse

from frontend.presenters import rating_sentences, ratings
from frontend.presenters.glossary import entries
from registry.models import Material
from registry.models.release import BANDS
from tests.frontend.test_ratings_in_words import ROW

with warnings.catch_warnings():
    # It looks for its word list by a way that setuptools means to drop.
    warnings.simplefilter("ignore")
    import textstat

HARDEST_GRADE, LEAST_EASE = 8.0, 60.0
LONGEST_SENTENCE_WORDS = 30
# Trade words behind which the page itself opens an entry of the glossary.
EXPLAINED = {
    "mesh bag": "bag",
    "turning": "turning",
    "sieve": "sieving",
    "sieving": "sieving",
    "coat": "coat",
    "confidence": "confidence",
    "site": "site",
    "gone": "gone",
    "hot piles": "heat",
    "released": "release",
}
CHANCES = (0.0, 0.02, 0.3, 0.6, 0.9, 0.999)


def all_rating_sentences() -> list[str]:
    """Every sentence the templates can make, with numbers as they come."""
    said = []
    for heat, band in itertools.product(rating_sentences.PILES, BANDS):
        for season, later in itertools.combinations_with_replacement(CHANCES, 2):
            row = replace(ROW, heat_class=heat, band=band, chance_84=season, chance_180=later)
            said += [rating_sentences.sentence(row), rating_sentences.sentence(row, brief=True)]
        said.append(
            rating_sentences.sentence(replace(ROW, heat_class=heat, band=band, chance_84=None))
        )
    said.append(rating_sentences.worked_out(replace(ROW, last_look_day=112.0)))
    said.append(ratings.typical_time(ROW))
    said += [str(action) for action in rating_sentences.ACTIONS.values()]
    return sorted(set(said))


def how_to_texts() -> list[str]:
    return ratings.how_to(Material(form="pot", coating="wax, inside"))


def judged(text: str) -> tuple[float, float]:
    return textstat.flesch_kincaid_grade(text), textstat.flesch_reading_ease(text)


class _Words(HTMLParser):
    """Text of the main part of a page, block by block; tables and lists of links left out."""

    LEFT_OUT = ("table", "code", "svg", "nav", "form", "footer", "header")
    BLOCKS = ("p", "li", "dd", "figcaption")

    def __init__(self) -> None:
        super().__init__()
        self.blocks: list[str] = []
        self._out = 0
        self._in = 0

    def handle_starttag(self, tag, attrs):
        self._out += tag in self.LEFT_OUT
        if tag in self.BLOCKS:
            self._in += 1
            self.blocks.append("")

    def handle_endtag(self, tag):
        self._out -= tag in self.LEFT_OUT
        self._in -= tag in self.BLOCKS

    def handle_data(self, data):
        if self._in and not self._out:
            self.blocks[-1] += data


def texts_of(page: str) -> list[str]:
    parser = _Words()
    parser.feed(page)
    blocks = (" ".join(block.split()) for block in parser.blocks)
    return [block for block in blocks if block.endswith((".", "?"))]


def test_every_sentence_of_a_rating_is_plain():
    sentences = all_rating_sentences()

    assert len(sentences) > 100
    grade, ease = judged(" ".join(sentences))
    assert grade <= HARDEST_GRADE
    assert ease >= LEAST_EASE
    for text in sentences:
        assert judged(text)[0] <= HARDEST_GRADE + 2, text
        assert len(text.split()) <= LONGEST_SENTENCE_WORDS, text


def test_what_to_do_is_plain():
    grade, ease = judged(" ".join(how_to_texts()))

    assert grade <= HARDEST_GRADE
    assert ease >= LEAST_EASE


@pytest.mark.django_db
@pytest.mark.parametrize(
    "address",
    [
        reverse("frontend:material", args=["POTS-26-M1"]),
        reverse("frontend:materials"),
        reverse("frontend:compare") + "?m=POTS-26-M1&m=POTS-26-M2",
        reverse("frontend:home"),
    ],
)
def test_a_growers_page_is_plain_as_a_whole(client, pots, address):
    texts = texts_of(client.get(address).content.decode())

    assert len(texts) >= 3
    grade, ease = judged(" ".join(texts))
    assert grade <= HARDEST_GRADE, texts
    assert ease >= LEAST_EASE, texts


@pytest.mark.django_db
def test_trade_words_are_explained_on_the_page_itself(client, pots):
    page = client.get(reverse("frontend:material", args=["POTS-26-M1"])).content.decode()
    explained = page[page.index('class="words"') :]
    explained = explained[: explained.index("</details>")]
    terms = {entry.key: entry.term for entry in entries()}

    for word, key in EXPLAINED.items():
        assert re.search(rf"\b{word}", page, re.IGNORECASE), f"{word} is no longer used"
        assert f"<dt>{terms[key]}</dt>" in explained, word


def test_the_measure_tells_plain_from_heavy():
    """The test of the test: the methods page's kind of sentence does not pass."""
    heavy = (
        "Heterogeneity between participating institutions necessitates a predictive distribution "
        "incorporating additional variability attributable to unobserved environmental conditions."
    )
    assert judged(heavy)[0] > HARDEST_GRADE
    assert judged(heavy)[1] < LEAST_EASE
