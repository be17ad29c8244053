"""One bag among its neighbours: a small drawing of percents over days, quick to make.

Written as SVG directly, at one size that fits a phone: the page it stands on is asked for once per
decision, and a drawing library would take longer than everything else.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

from registry.charts.axes import day_ticks, percent_domain
from registry.charts.house_style import CLAY, GRID, INK, MOSS, QUIET, SMALL_TEXT_PX
from registry.charts.svg import SVG, Caption, describe

WIDTH, HEIGHT = 288, 220
LEFT, RIGHT, TOP, BOTTOM = 50, 10, 12, 40
Scale = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class LookDot:
    """`kind`: subject (the look in question), bag (same bag), other, or excluded."""

    day: float
    remaining_pct: float
    kind: str


@dataclass(frozen=True, slots=True)
class LookWords:
    days: str
    remaining: str


def look_drawing(
    dots: Sequence[LookDot],
    *,
    limits_pct: Sequence[float] = (),
    limits_day: Sequence[float] = (),
    words: LookWords,
    caption: Caption,
) -> str:
    """SVG: a ring for every other look, a cross through excluded ones, a full square for the one in
    question; dashed lines for the limits it broke."""
    root = ElementTree.Element(f"{{{SVG}}}svg")
    for name, value in (("width", WIDTH), ("height", HEIGHT)):
        root.set(name, str(value))
    root.set("viewBox", f"0 0 {WIDTH} {HEIGHT}")
    last = max([7.0, *(dot.day for dot in dots), *limits_day])
    low, high = percent_domain([*(dot.remaining_pct for dot in dots), *limits_pct])

    def x(day: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * day / last

    def y(percent: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * (percent - low) / (high - low)

    _axes(root, x, y, last, high, words)
    for limit in limits_pct:
        _line(root, (x(0), y(limit)), (x(last), y(limit)), CLAY, dashed=True)
    for limit in limits_day:
        _line(root, (x(limit), y(low)), (x(limit), y(high)), CLAY, dashed=True)
    for dot in sorted(dots, key=lambda dot: dot.kind == "subject"):
        _mark(root, x(dot.day), y(dot.remaining_pct), dot.kind)
    describe(root, caption)
    return ElementTree.tostring(root, encoding="unicode")


def _axes(
    root: ElementTree.Element, x: Scale, y: Scale, last: float, high: float, words: LookWords
) -> None:
    ticks = [float(tick) for tick in range(0, int(high) + 1, 25 if high <= 100 else 50)]
    for tick in ticks:
        _line(root, (x(0), y(tick)), (x(last), y(tick)), GRID)
        _text(root, LEFT - 5, y(tick) + 4, f"{tick:.0f}", "end")
    for day in day_ticks(last, at_most=6):
        _text(root, x(day), HEIGHT - BOTTOM + 16, str(day), "middle")
    _line(root, (x(0), y(0)), (x(last), y(0)), QUIET)
    _text(root, (LEFT + WIDTH - RIGHT) / 2, HEIGHT - 6, words.days, "middle")
    title = _text(root, 0, 0, words.remaining, "middle")
    title.set("transform", f"translate(11 {(TOP + HEIGHT - BOTTOM) / 2}) rotate(-90)")


def _mark(root: ElementTree.Element, x: float, y: float, kind: str) -> None:
    if kind == "subject":
        size = {"x": x - 5, "y": y - 5, "width": 10, "height": 10}
        _add(root, "rect", size | {"fill": CLAY, "stroke": INK, "stroke-width": 1})
        return
    fill = MOSS if kind == "bag" else "none"
    _add(root, "circle", {"cx": x, "cy": y, "r": 4, "fill": fill, "stroke": INK})
    if kind == "excluded":
        _line(root, (x - 5, y - 5), (x + 5, y + 5), INK)
        _line(root, (x - 5, y + 5), (x + 5, y - 5), INK)


def _line(
    root: ElementTree.Element,
    start: tuple[float, float],
    end: tuple[float, float],
    colour: str,
    *,
    dashed: bool = False,
) -> None:
    ends = {"x1": start[0], "y1": start[1], "x2": end[0], "y2": end[1], "stroke": colour}
    _add(root, "line", ends | ({"stroke-dasharray": "5 4"} if dashed else {}))


def _text(
    root: ElementTree.Element, x: float, y: float, text: str, anchor: str
) -> ElementTree.Element:
    place = {"x": x, "y": y, "text-anchor": anchor, "fill": INK, "font-size": SMALL_TEXT_PX}
    element = _add(root, "text", place)
    element.text = text
    return element


def _add(root: ElementTree.Element, name: str, values: Mapping[str, object]) -> ElementTree.Element:
    written = {
        key: f"{value:.1f}" if isinstance(value, float) else str(value)
        for key, value in values.items()
    }
    return ElementTree.SubElement(root, f"{{{SVG}}}{name}", written)
