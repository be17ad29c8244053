"""The heat of a pile: a band that breaks where days are missing, and named rows of marks."""

from xml.etree import ElementTree

import pytest

from registry.charts import svg
from registry.charts.pile_heat import DayHeat, HeatWords, Mark, pile_heat
from registry.charts.svg import Caption

WORDS = HeatWords("Days", "°C")
CAPTION = Caption("h", "t", "d")
DAYS = tuple(DayHeat(day, 20.0 + day, 40.0 + day, 55.0 + day) for day in range(10))
ROWS = ("Hot", "Turned")


def _elements(text: str, name: str) -> list[ElementTree.Element]:
    return list(ElementTree.fromstring(text).iter(f"{{{svg.SVG}}}{name}"))


def _bands(text: str) -> list[ElementTree.Element]:
    return [path for path in _elements(text, "path") if "chart-band" in (path.get("fill") or "")]


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_every_row_of_marks_is_named_in_words(width):
    drawn = pile_heat(
        DAYS,
        rows=ROWS,
        marks=(Mark("Hot", 1.5, 3.25), Mark("Turned", 4.0)),
        words=WORDS,
        caption=CAPTION,
        width=width,
    )

    texts = {node.text for node in _elements(drawn, "text")}
    assert {"Hot", "Turned", "Days", "°C"} <= texts


def test_a_day_without_readings_breaks_the_band():
    whole = pile_heat(DAYS, words=WORDS, caption=CAPTION)
    broken = pile_heat(DAYS[:4] + DAYS[6:], words=WORDS, caption=CAPTION)

    assert len(_bands(whole)) == 1
    assert len(_bands(broken)) == 2


def test_the_axis_of_days_stands_once():
    drawn = pile_heat(DAYS, rows=ROWS, words=WORDS, caption=CAPTION)

    assert [node.text for node in _elements(drawn, "text")].count("Days") == 1
    assert "style=" not in drawn
