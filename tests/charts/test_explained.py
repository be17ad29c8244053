"""Rates against a moderator, residuals and influence: every site and mark is there, and plain."""

from xml.etree import ElementTree

import pytest

from registry.charts import svg
from registry.charts.diagnostics import (
    DiagnosticWords,
    ExpectedSpread,
    Influence,
    Residual,
    influence_plot,
    residual_plot,
)
from registry.charts.explained import FittedRate, RateDot, RateWords, rates_explained
from registry.charts.svg import Caption

CAPTION = Caption("explained", "Rate against filler", "Eight rates & a line")
SITES = ("Low Meadow", "Harbour & <school>")
DOTS = tuple(
    RateDot(site, x, 0.02 * (1 + x / 50), 0.015, 0.03) for site in SITES for x in (0.0, 15.0, 30.0)
)
LINE = tuple(FittedRate(x, 0.02 + x / 2000, 0.01, 0.05) for x in (0.0, 15.0, 30.0))
WORDS = RateWords("Filler, %", "Rate, per day")
OF_DIAGNOSTICS = DiagnosticWords("Fitted, %", "Seen less fitted", "Change")


def drawn(dots=DOTS, line=LINE, words=WORDS, width="wide"):
    text = rates_explained(dots, line, joined=True, words=words, caption=CAPTION, width=width)
    return ElementTree.fromstring(text)


def texts(root):
    return {node.text or "" for node in root.iter(f"{{{svg.SVG}}}text")}


def shapes(root):
    """Different outlines among the marks of the rates."""
    marks = [n for n in root.iter(f"{{{svg.SVG}}}path") if n.get("transform") and n.get("d")]
    return {n.get("d") for n in marks if n.get("stroke", "").startswith("var(--ink,")}


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_sites_are_named_and_told_apart_by_shape(width):
    root = drawn(width=width)

    assert {*SITES, "Filler, %", "Rate, per day"} <= texts(root)
    assert len(shapes(root)) == len(SITES)


def test_more_sites_than_shapes_are_rings_without_a_legend():
    many = tuple(RateDot(f"Site {i}", float(i), 0.02, 0.01, 0.03) for i in range(12))

    root = drawn(many, ())

    assert "Site 3" not in texts(root)
    assert len(shapes(root)) == 1


def test_a_yes_or_no_has_its_two_words_on_the_axis():
    pair = tuple(RateDot("Low Meadow", x, 0.02, 0.01, 0.03) for x in (0.0, 1.0))

    root = drawn(pair, (), RateWords("Coating", "Rate", ends=("uncoated", "it's coated")))

    assert {"uncoated", "it's coated"} <= texts(root)


def test_one_level_alone_can_be_drawn():
    assert "Low Meadow" in texts(drawn((DOTS[0],), ()))


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_residuals_and_influence_fit_a_small_phone_and_keep_the_policy(width):
    residuals = (Residual(80.0, 3.0, 2.0), Residual(20.0, -4.0, None))
    expected = (ExpectedSpread(0.0, 3.0), ExpectedSpread(100.0, 6.0))
    plots = (
        residual_plot(residuals, expected, words=OF_DIAGNOSTICS, caption=CAPTION, width=width),
        influence_plot(
            (Influence("Low Meadow", 1.4), Influence("Quarry", -0.2)),
            words=OF_DIAGNOSTICS,
            caption=CAPTION,
            width=width,
        ),
        ElementTree.tostring(drawn(width=width), encoding="unicode"),
    )

    for text in plots:
        root = ElementTree.fromstring(text)
        assert root.get("role") == "img"
        assert float(root.get("width")) <= (660 if width == "wide" else 292)
        assert all(node.get("style") is None for node in root.iter())


def test_a_site_that_moves_the_answer_is_named():
    text = influence_plot((Influence("Low Meadow", 1.4),), words=OF_DIAGNOSTICS, caption=CAPTION)

    assert {"Low Meadow", "Change"} <= texts(ElementTree.fromstring(text))
