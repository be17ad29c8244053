"""The sheet to fill in at a pile: the columns of the upload, and words that prevent false zeros."""

from datetime import date

import pytest

from registry.columns import RETRIEVALS
from registry.paper.retrieval_sheet import (
    AT_THE_PILE,
    IN_THE_LABORATORY,
    ONCE,
    OUTCOMES,
    Sheet,
    SheetBag,
    retrieval_sheets,
)
from tests.paper.reading import pages_of


def sheet(n_bags=3, **changes):
    plain = {
        "trial": "POTS-2026",
        "trial_title": "Pots in working piles",
        "site": "NORTH",
        "site_name": "North yard",
        "pile": "P1",
        "planned_days": 28,
        "due_from": date(2026, 5, 5),
        "due_until": date(2026, 5, 5),
        "window_days": 2,
        "bags": tuple(SheetBag(f"N-{n:02}", "COIR-POT", "sample") for n in range(n_bags)),
    }
    return Sheet(**(plain | changes))


def test_every_column_of_the_upload_stands_on_the_sheet():
    (page,) = pages_of(retrieval_sheets([sheet()]))
    letters = page.replace(" ", "").replace("\u200b", "")

    for name in RETRIEVALS.column_names:
        if name != "trial":
            assert name in letters, name
    placed = (*AT_THE_PILE, *IN_THE_LABORATORY, *ONCE, "trial", "bag_label", "notes")
    assert sorted(placed) == sorted(RETRIEVALS.column_names)


def test_the_words_of_the_outcome_are_those_of_the_upload_and_say_that_lost_is_not_zero():
    (page,) = pages_of(retrieval_sheets([sheet()]))

    assert tuple(word for word, _ in OUTCOMES) == RETRIEVALS.column("outcome").choices
    assert "Lost is never zero." in page
    assert "bag_lost The bag was not found. Missing: write no mass, never 0." in page


def test_the_sheet_warns_of_heat_spores_and_turners():
    (page,) = pages_of(retrieval_sheets([sheet()]))

    for word in ("scalds", "fire service", "respirator", "turner", "safety officer"):
        assert word in page


def test_each_pile_and_day_begins_a_page_and_long_ones_repeat_their_heading():
    pages = pages_of(retrieval_sheets([sheet(n_bags=45), sheet(pile="P2", planned_days=None)]))

    assert "Pile P1 at North yard (NORTH): day 28" in pages[0]
    assert "Due 2026-05-05, ± 2 days counts as on time. 45 bags." in pages[0]
    assert "P1, NORTH, day 28" in pages[1]
    assert "bag_label" in pages[1]
    assert "Pile P2" not in "".join(pages[:-1])
    assert "Pile P2 at North yard (NORTH): no day planned" in pages[-1]
    assert f"page 1 of {len(pages)}" in pages[0]
    assert [f"N-{n:02}" in "".join(pages[:-1]) for n in range(45)] == [True] * 45


@pytest.mark.parametrize(
    "words", ['#panic("x") $ * _ <a> @b', "日本の堆肥 🌱", "a\x00b\x1bc", "x" * 300]
)
def test_odd_words_are_text(words):
    pages = pages_of(retrieval_sheets([sheet(site_name=words, trial_title=words)]))

    if words.isascii() and words.isprintable() and len(words) < 100:
        assert words in pages[0]
    assert "N-02" in pages[0]
