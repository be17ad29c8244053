"""Dots of twenty piles: as many as there are, in the right field, readable at both widths."""

from xml.etree import ElementTree

import pytest

from registry.charts.svg import SVG, Caption
from registry.charts.week_dots import ROOMS, DotWords, week_dots

WORDS = DotWords("Weeks in the pile", "20 piles", "Each site", ("not yet by", "week 12"))
LAST = 84.0


def drawing(dots=(), sites=(), width="wide", in_weeks=True) -> ElementTree.Element:
    svg = week_dots(
        tuple(dots),
        tuple(sites),
        last_day=LAST,
        in_weeks=in_weeks,
        words=WORDS,
        caption=Caption("weeks", "When", "About"),
        width=width,
    )
    return ElementTree.fromstring(svg)


def marks(root: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    return root.findall(f"{{{SVG}}}{name}")


def texts(root: ElementTree.Element) -> list[str]:
    return [text.text or "" for text in marks(root, "text")]


@pytest.mark.parametrize("width", ROOMS)
def test_every_pile_is_one_dot_and_what_nobody_saw_is_hollow(width: str) -> None:
    root = drawing([20.0, 20.5, 40.0, 83.9, 84.0, 84.1, 9000.0], width=width)

    circles = marks(root, "circle")
    hollow = [circle for circle in circles if "--paper" in circle.get("fill", "")]
    assert (len(circles), len(hollow)) == (7, 2)
    line_ends = ROOMS[width].margin + ROOMS[width].line
    assert all(float(circle.get("cx", 0)) > line_ends for circle in hollow)


@pytest.mark.parametrize("width", ROOMS)
@pytest.mark.parametrize("day", [0.0, 3.0, 84.0, 500.0])
def test_twenty_piles_at_one_moment_stay_inside_the_drawing_and_apart(width: str, day: float):
    root = drawing([day] * 20, [day] * 20, width=width)

    places = {(circle.get("cx"), circle.get("cy")) for circle in marks(root, "circle")}
    assert len(places) == 20
    assert len({mark.get("points") for mark in marks(root, "polygon")}) == 20
    wide, high = float(root.get("width", 0)), float(root.get("height", 0))
    for circle in marks(root, "circle"):
        radius = float(circle.get("r", 0))
        assert radius <= float(circle.get("cx", 0)) <= wide - radius
        assert radius <= float(circle.get("cy", 0)) <= high - radius
    for mark in marks(root, "polygon"):
        corners = [point.split(",") for point in mark.get("points", "").split()]
        assert all(0 <= float(x) <= wide and 0 <= float(y) <= high for x, y in corners)


def test_the_line_is_in_weeks_or_in_days() -> None:
    assert {"0", "4", "8", "12"} <= set(texts(drawing([30.0])))
    assert {"0", "28", "56", "84"} <= set(texts(drawing([30.0], in_weeks=False)))


def test_a_dot_stands_at_its_time() -> None:
    room = ROOMS["wide"]
    circle = marks(drawing([42.0]), "circle")[0]

    middle = room.margin + room.line / 2
    assert abs(float(circle.get("cx", 0)) - middle) <= room.dot / 2 + 1


def test_sites_alone_can_be_shown() -> None:
    root = drawing(sites=[30.0, 90.0])

    assert marks(root, "circle") == []
    assert "20 piles" not in texts(root)
    assert len(marks(root, "polygon")) == 2
