"""The small drawing of one bag among its neighbours."""

from xml.etree import ElementTree

from registry.charts.looks import WIDTH, LookDot, LookWords, look_drawing
from registry.charts.svg import SVG, Caption

WORDS = LookWords("Days", "Left, %")


def _drawn(*dots: LookDot, **limits: object) -> ElementTree.Element:
    caption = Caption("flag-1", "Left over <days>", "About")
    return ElementTree.fromstring(look_drawing(dots, words=WORDS, caption=caption, **limits))


def test_every_look_has_its_mark_inside_the_frame() -> None:
    root = _drawn(
        LookDot(14, 80.0, "other"),
        LookDot(14, 131.0, "subject"),
        LookDot(28, 40.0, "excluded"),
    )

    (square,) = root.iter(f"{{{SVG}}}rect")
    rings = list(root.iter(f"{{{SVG}}}circle"))
    assert len(rings) == 2
    assert float(square.get("y", "-1")) >= 0
    assert all(0 <= float(ring.get("cx", "-1")) <= WIDTH for ring in rings)


def test_limits_are_dashed_lines() -> None:
    root = _drawn(LookDot(14, 80.0, "subject"), limits_pct=[105.0], limits_day=[12.0, 16.0])

    dashed = [line for line in root.iter(f"{{{SVG}}}line") if line.get("stroke-dasharray")]
    assert len(dashed) == 3


def test_it_is_one_picture_with_a_title_and_no_style() -> None:
    root = _drawn(LookDot(14, 80.0, "subject"))

    assert root.get("role") == "img"
    assert root.find(f"{{{SVG}}}title").text == "Left over <days>"
    assert not any(element.get("style") for element in root.iter())
