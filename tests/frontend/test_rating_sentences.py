"""Sentences for growers: what the chances say, joined well, in the reader's units and language."""

from dataclasses import replace

import pytest
from django.utils import translation

from frontend import preferences
from frontend.preferences import Preferences
from frontend.presenters.rating_sentences import sentence, verdict, worked_out
from tests.frontend.test_ratings_in_words import ROW


def row(season, half_year, heat="hot", **other):
    return replace(ROW, heat_class=heat, chance_84=season, chance_180=half_year, **other)


@pytest.fixture
def in_days(monkeypatch):
    monkeypatch.setattr(preferences, "current", lambda: Preferences("days", "f"))


@pytest.mark.parametrize(
    ("rating", "said"),
    [
        (row(0.9, 0.99), "In about 9 of 10 hot piles, it is gone within 12 weeks."),
        (row(0.999, 1.0, "all"), "In almost all piles like these, it is gone within 12 weeks."),
        (
            row(0.62, 0.97),
            "In about 6 of 10 hot piles, it is gone within 12 weeks; in more than 19 of 20, within "
            "26 weeks.",
        ),
        (
            row(0.02, 0.3, "warm"),
            "In about 3 of 10 warm piles, it is gone within 26 weeks, but not within 12 weeks.",
        ),
        (
            row(0.0, 0.01, "cool", band="still_in_pieces"),
            "Even after 26 weeks, you will still find it in cool piles.",
        ),
        (
            row(0.0, 0.0, "cool", band="little_change"),
            "Even after 26 weeks, most of it is still there in cool piles.",
        ),
        (row(None, None, band="little_change"), "In hot piles, no loss could be seen."),
        (
            row(None, None, band="gone"),
            "In hot piles, nothing was left when the first bags were opened.",
        ),
        (
            row(0.5, 0.5, band="not_enough_evidence", n_sites=2),
            "In hot piles, too few sites have looked so far.",
        ),
        (
            row(0.5, 0.5, band="not_enough_evidence"),
            "In hot piles, the sites differ too much to say.",
        ),
    ],
)
def test_a_rating_is_one_sentence(rating, said):
    assert sentence(rating) == said


def test_hot_and_the_coolest_answer_are_joined_into_one_sentence():
    rows = [row(0.5, 0.9, "all"), row(0.9, 0.99, "hot"), row(0.6, 0.9, "warm")]

    assert verdict(rows) == (
        "In about 9 of 10 hot piles, it is gone within 12 weeks; in about 6 of 10 warm piles, it "
        "is gone within 12 weeks."
    )


def test_a_heat_without_enough_evidence_is_left_out_of_the_sentence():
    thin = row(0.1, 0.2, "cool", band="not_enough_evidence")

    assert verdict([row(0.5, 0.9, "all"), row(0.9, 0.99, "hot"), thin]).startswith(
        "In about 5 of 10 piles like these"
    )
    assert verdict([thin]) == "In cool piles, the sites differ too much to say."


def test_what_is_the_same_in_every_pile_is_said_once():
    bound = {"band": "little_change"}
    rows = [row(None, None, heat, **bound) for heat in ("all", "hot", "warm")]

    assert verdict(rows) == "In piles like these, no loss could be seen."


def test_the_newest_release_has_the_last_word():
    assert "9 of 10" in verdict([row(0.9, 0.99, "all"), row(0.1, 0.2, "all")])


def test_what_nobody_has_seen_is_said_to_be_worked_out():
    assert worked_out(replace(ROW, last_look_day=84.0)) == (
        "The last look was after 12 weeks. What comes later is worked out, not seen."
    )
    assert worked_out(replace(ROW, last_look_day=200.0)) == ""


def test_days_for_those_who_count_days(in_days):
    assert sentence(row(0.9, 0.99)) == "In about 9 of 10 hot piles, it is gone within 84 days."


def test_german_sentences_are_whole():
    with translation.override("de"):
        assert sentence(row(0.62, 0.97)) == (
            "In etwa 6 von 10 heißen Haufen ist es nach 12 Wochen weg, in mehr als 19 von 20 nach "
            "26 Wochen."
        )
        assert verdict([row(0.9, 0.99), row(0.02, 0.3, "cool")]) == (
            "In etwa 9 von 10 heißen Haufen ist es nach 12 Wochen weg; in etwa 3 von 10 kühlen "
            "Haufen ist es nach 26 Wochen weg, aber nicht schon nach 12 Wochen."
        )
