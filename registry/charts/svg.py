"""From a chart described as data to SVG that may stand inline in a page.

Attributes only, no style attributes (a strict content security policy refuses them), one image
with a title and a description instead of a thousand labelled shapes, and ids of its own.
"""

import json
import re
from dataclasses import dataclass
from xml.etree import ElementTree

import altair
import vl_convert

from registry.charts.house_style import CONFIG

SVG = "http://www.w3.org/2000/svg"
XLINK = "http://www.w3.org/1999/xlink"
ElementTree.register_namespace("", SVG)

_REFERENCE = re.compile(r"url\(#([^)]+)\)")
_DROPPED = frozenset({"style", "role", "class", "pointer-events"})


@dataclass(frozen=True, slots=True)
class Caption:
    """What a chart is, for those who cannot see it. `chart_id` is unique within a page."""

    chart_id: str
    title: str
    description: str


def draw(chart: altair.TopLevelMixin, caption: Caption) -> str:
    """The chart as an SVG element, 12-pixel type at its natural size."""
    specification = chart.to_dict(validate=False)
    specification["config"] = CONFIG
    raw = vl_convert.vegalite_to_svg(json.dumps(specification))
    root = ElementTree.fromstring(raw)
    for element in root.iter():
        _plain_attributes(element, caption.chart_id)
    describe(root, caption)
    return ElementTree.tostring(root, encoding="unicode")


def warm_up() -> None:
    """Draw one point: the first drawing of a process loads the engine, most of a second."""
    point = altair.Chart(altair.Data(values=[{"x": 1}])).mark_point().encode(x="x:Q")
    vl_convert.vegalite_to_svg(json.dumps(point.to_dict(validate=False)))


def _plain_attributes(element: ElementTree.Element, prefix: str) -> None:
    for name, value in list(element.attrib.items()):
        if name in _DROPPED or name.startswith("aria-"):
            del element.attrib[name]
        elif name == "id":
            element.set(name, f"{prefix}-{value}")
        elif "url(#" in value:
            element.set(name, _REFERENCE.sub(rf"url(#{prefix}-\1)", value))


def describe(root: ElementTree.Element, caption: Caption) -> None:
    """Make the drawing one image with a title and a description."""
    title = ElementTree.Element(f"{{{SVG}}}title", {"id": f"{caption.chart_id}-title"})
    title.text = caption.title
    description = ElementTree.Element(f"{{{SVG}}}desc", {"id": f"{caption.chart_id}-desc"})
    description.text = caption.description
    root.insert(0, title)
    root.insert(1, description)
    root.set("role", "img")
    root.set("aria-labelledby", f"{caption.chart_id}-title {caption.chart_id}-desc")
    root.set("class", "chart-drawing")
