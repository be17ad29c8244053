"""The forest plot holds every site, and may stand in a page under a strict policy."""

from xml.etree import ElementTree

import altair
import pytest

from registry.charts import svg
from registry.charts.forest import ForestPooled, ForestSite, forest_plot
from registry.charts.svg import Caption

SITES = (
    ForestSite("Low Meadow", 0.02, 0.015, 0.028, 0.022, 40.0),
    ForestSite("Harbour & <school>", 0.05, 0.03, 0.08, 0.045, 35.0),
    ForestSite("Gone too fast", None, 0.06, None, 0.05, None),
)
POOLED = ForestPooled("Pooled mean", "A new pile", 0.031, 0.02, 0.045, 0.012, 0.08)
CAPTION = Caption("forest", "Rates", "Three sites & their mean")


def _drawn(width: str = "wide", pooled: ForestPooled = POOLED) -> ElementTree.Element:
    text = forest_plot(SITES, pooled, axis_title="Rate", caption=CAPTION, width=width)
    return ElementTree.fromstring(text)


def _texts(root: ElementTree.Element) -> set[str]:
    return {node.text or "" for node in root.iter(f"{{{svg.SVG}}}text")}


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_every_site_the_mean_and_a_new_pile_have_a_row(width):
    texts = _texts(_drawn(width))

    assert {"Low Meadow", "Pooled mean", "A new pile", "Gone too fast"} <= texts


def test_the_image_is_named_and_described():
    root = _drawn()

    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "forest-title forest-desc"
    assert root[0].text == "Rates"
    assert root[1].text == "Three sites & their mean"


def test_nothing_in_the_drawing_needs_an_exception_from_the_policy():
    for node in _drawn().iter():
        assert node.get("style") is None
        assert not any(name.startswith("on") for name in node.attrib)
        assert not node.tag.endswith(("}script", "}style", "}foreignObject"))


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_text_is_at_least_twelve_pixels_and_the_narrow_drawing_fits_a_small_phone(width):
    root = _drawn(width)
    sizes = {
        float(node.get("font-size").removesuffix("px"))
        for node in root.iter()
        if node.get("font-size")
    }

    assert min(sizes) >= 12
    assert float(root.get("width")) <= {"wide": 660, "narrow": 288}[width]


def test_colours_follow_the_theme_of_the_page():
    text = ElementTree.tostring(_drawn(), encoding="unicode")

    assert "var(--clay," in text
    assert "var(--ink," in text


def test_without_a_prediction_interval_the_row_stays_but_has_no_bar():
    refused = ForestPooled("Pooled mean", "A new pile", 0.031, 0.02, 0.045, None, None)

    root = _drawn(pooled=refused)

    assert "A new pile" in _texts(root)
    assert not [n for n in root.iter() if n.get("stroke-dasharray") == "7,4"]
    assert [n for n in _drawn().iter() if n.get("stroke-dasharray") == "7,4"]


def test_a_bound_reaches_to_the_edge_of_the_plot():
    bars = [n for n in _drawn().iter() if n.get("stroke-width") == "1.5" and n.tag.endswith("line")]

    assert len(bars) == 3


def test_the_specification_is_valid_vega_lite(monkeypatch):
    checked = []
    to_dict = altair.LayerChart.to_dict

    def validating(self, *args, **kwargs):
        checked.append(True)
        return to_dict(self, *args, **{**kwargs, "validate": True})

    monkeypatch.setattr(altair.LayerChart, "to_dict", validating)
    _drawn()

    assert checked
