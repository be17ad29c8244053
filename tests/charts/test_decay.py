"""Decay curves: bands, the line of 90 %, one panel per site with every mean as a ring."""

from xml.etree import ElementTree

import pytest

from registry.charts import svg
from registry.charts.decay import (
    CurveDay,
    CurveWords,
    PileMean,
    SiteCurve,
    decay_curve,
    site_panels,
)
from registry.charts.svg import Caption

CURVE = tuple(
    CurveDay(day, 100 - day, 95.0 - day, min(100.0, 105.0 - day), 80 - 0.9 * day, 100.0)
    for day in range(0, 85, 14)
)
SITES = (
    SiteCurve("Low Meadow", (PileMean(14, 120.0), PileMean(28, 60.0)), CURVE),
    SiteCurve("Sand Ridge", (PileMean(14, 70.0),)),
)
WORDS = CurveWords("Days", "Left, %", "10 % left")


def _texts(text: str) -> list[str]:
    root = ElementTree.fromstring(text)
    return [node.text or "" for node in root.iter(f"{{{svg.SVG}}}text")]


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_the_curve_says_where_ninety_percent_is_gone(width):
    drawn = decay_curve(CURVE, words=WORDS, caption=Caption("c", "t", "d"), width=width)

    assert {"Days", "Left, %", "10 % left"} <= set(_texts(drawn))
    assert "--chart-band-wide" in drawn


def test_bands_are_left_out_where_no_interval_was_given():
    bare = tuple(CurveDay(point.day, point.fitted_pct) for point in CURVE)

    drawn = decay_curve(bare, words=WORDS, caption=Caption("c", "t", "d"))
    areas = [n for n in ElementTree.fromstring(drawn).iter() if "band" in (n.get("fill") or "")]

    assert not [n for n in areas if n.get("d")]


def test_each_site_has_a_panel_and_each_mean_a_ring():
    drawn = site_panels(SITES, pooled=CURVE, words=WORDS, caption=Caption("p", "t", "d"))
    rings = [n for n in ElementTree.fromstring(drawn).iter() if n.get("stroke-width") == "1.2"]

    assert {"Low Meadow", "Sand Ridge"} <= set(_texts(drawn))
    assert len(rings) == 3


def test_two_drawings_on_one_page_share_no_id():
    one = decay_curve(CURVE, words=WORDS, caption=Caption("one", "t", "d"))
    two = decay_curve(CURVE, words=WORDS, caption=Caption("two", "t", "d"))

    assert _ids(one)
    assert not _ids(one) & _ids(two)


def test_every_reference_inside_a_drawing_has_its_target():
    drawn = decay_curve(CURVE, words=WORDS, caption=Caption("one", "t", "d"))
    root = ElementTree.fromstring(drawn)
    wanted = {
        value[len("url(#") : -1]
        for node in root.iter()
        for value in node.attrib.values()
        if value.startswith("url(#")
    }

    assert wanted <= _ids(drawn)


def _ids(text: str) -> set[str]:
    return {node.get("id") for node in ElementTree.fromstring(text).iter() if node.get("id")}
