"""A stored figure as a file that stands by itself: light paper, plain colours, SVG or PNG."""

import re
from xml.etree import ElementTree

import vl_convert

from registry.charts.svg import SVG

# In a page colours follow its theme; many programs that open a file know no variables.
_VARIABLE = re.compile(r"var\(--[a-z-]+, ?(#[0-9a-f]{3,8})\)")
PAPER = "#ffffff"
MARGIN_PX = 12
# Sharp in print at the width of a column.
PNG_SCALE = 3


def svg_file(drawn: str) -> bytes:
    """The drawing with its colours written out, on paper of its own with a margin."""
    root = ElementTree.fromstring(_VARIABLE.sub(r"\1", drawn))
    width, height = float(root.get("width", "0")), float(root.get("height", "0"))
    left, top, inner_width, inner_height = _box(root, width, height)
    box = (
        left - MARGIN_PX,
        top - MARGIN_PX,
        inner_width + 2 * MARGIN_PX,
        inner_height + 2 * MARGIN_PX,
    )
    root.set("viewBox", " ".join(f"{number:g}" for number in box))
    root.set("width", f"{width + 2 * MARGIN_PX:g}")
    root.set("height", f"{height + 2 * MARGIN_PX:g}")
    names = ("x", "y", "width", "height")
    paper = {name: f"{number:g}" for name, number in zip(names, box, strict=True)}
    # After title and description, which come first.
    root.insert(2, ElementTree.Element(f"{{{SVG}}}rect", paper | {"fill": PAPER}))
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)


def png_file(drawn: str) -> bytes:
    return vl_convert.svg_to_png(svg_file(drawn).decode(), scale=PNG_SCALE)


def _box(
    root: ElementTree.Element, width: float, height: float
) -> tuple[float, float, float, float]:
    written = [float(part) for part in root.get("viewBox", "").split()]
    return (written[0], written[1], written[2], written[3]) if written else (0, 0, width, height)
