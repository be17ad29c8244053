"""Quantile dot plot of the time until an item is gone: each dot one of twenty equally likely piles.

Readers of such plots decide better than readers of intervals or densities (Kay, Kola, Hullman and
Munson 2016, CHI, 5092-5103; Fernandes, Walls, Munson, Hullman and Kay 2018, CHI, paper 144). Dots
stand in columns over a line of weeks; what falls behind the last look stands in a field of its
own, hollow, since nobody has seen it. Below the same line: one mark for each site.
"""

import math
from collections import Counter
from dataclasses import dataclass
from xml.etree import ElementTree

from registry.charts.axes import day_ticks
from registry.charts.house_style import CLAY, GRID, INK, MOSS, PAPER, QUIET, SMALL_TEXT_PX, TEXT_PX
from registry.charts.svg import SVG, Caption, describe

DAYS_PER_WEEK = 7
LINE_PX = 17  # of one line of text
GAP_PX = 10  # from the last look to the dashed line behind it, so that its label is not struck out


@dataclass(frozen=True, slots=True)
class DotWords:
    """Words in the drawing, in the reader's language. `later` stands over the last field."""

    axis: str
    piles: str
    sites: str
    later: tuple[str, str]


@dataclass(frozen=True, slots=True)
class _Room:
    """Pixels of one of the two drawings; `line` is the length of the line of weeks."""

    line: int
    later: int
    dot: int
    margin: int
    ticks: int

    @property
    def width(self) -> int:
        return self.line + self.later + 2 * self.margin

    @property
    def across(self) -> int:
        """How many marks stand side by side behind the last look."""
        return max(1, (self.later - GAP_PX - 4) // self.dot)

    @property
    def unseen_from(self) -> float:
        return self.margin + self.line + GAP_PX + 4


ROOMS = {
    "wide": _Room(line=460, later=120, dot=20, margin=26, ticks=8),
    "narrow": _Room(line=169, later=71, dot=13, margin=14, ticks=4),
}


def week_dots(
    dots: tuple[float, ...],
    sites: tuple[float, ...],
    *,
    last_day: float,
    in_weeks: bool,
    words: DotWords,
    caption: Caption,
    width: str = "wide",
) -> str:
    """SVG. `dots` and `sites` are days in the pile, `last_day` that of the last look (> 0)."""
    room = ROOMS[width]
    seen = _columns(dots, last_day, room)
    unseen = sum(day > last_day for day in dots)
    rows = max([1, *seen.values(), math.ceil(unseen / room.across)])
    base = 2 * LINE_PX + 10 + (rows * room.dot if dots else 0)
    bottom = base + 3 * LINE_PX + (_sites_height(sites, last_day, room) if sites else 0)
    root = ElementTree.Element(
        f"{{{SVG}}}svg",
        {
            "width": str(room.width),
            "height": str(bottom),
            "viewBox": f"0 0 {room.width} {bottom}",
        },
    )
    _field_behind_the_last_look(root, room, words, bottom)
    if dots:
        _text(root, words.piles, room.margin - room.dot // 2, LINE_PX, weight="bold")
        _dots(root, seen, unseen, room, base)
    _axis(root, room, base, last_day, in_weeks, words.axis)
    if sites:
        _sites(root, sites, last_day, room, base + 3 * LINE_PX, words.sites)
    describe(root, caption)
    return ElementTree.tostring(root, encoding="unicode")


def _columns(days: tuple[float, ...], last_day: float, room: _Room) -> Counter[int]:
    """How many dots stand in each column, a dot's width wide, up to the last look."""
    columns = room.line // room.dot
    per_column = last_day / columns
    inside = (day for day in days if day <= last_day)
    return Counter(min(columns - 1, int(max(0.0, day) / per_column)) for day in inside)


def _x(day: float, last_day: float, room: _Room) -> float:
    return room.margin + room.line * min(1.0, max(0.0, day) / last_day)


def _dots(
    root: ElementTree.Element, seen: Counter[int], unseen: int, room: _Room, base: float
) -> None:
    radius = room.dot / 2 - 1
    width = room.line / (room.line // room.dot)
    for column, count in sorted(seen.items()):
        for row in range(count):
            x = room.margin + width * (column + 0.5)
            _circle(root, x, base - room.dot * (row + 0.5), radius, fill=MOSS)
    for i in range(unseen):
        x = room.unseen_from + room.dot * (i % room.across + 0.5)
        _circle(root, x, base - room.dot * (i // room.across + 0.5), radius - 0.5, fill=PAPER)


def _circle(root: ElementTree.Element, x: float, y: float, radius: float, *, fill: str) -> None:
    place = {"cx": f"{x:.1f}", "cy": f"{y:.1f}", "r": f"{radius:.1f}"}
    _add(root, "circle", {**place, "fill": fill, "stroke": MOSS})


def _field_behind_the_last_look(
    root: ElementTree.Element, room: _Room, words: DotWords, bottom: float
) -> None:
    x = room.margin + room.line + GAP_PX
    line = {"x1": f"{x:.1f}", "x2": f"{x:.1f}", "y1": "4", "y2": str(bottom - 4)}
    dashes = {"stroke": CLAY, "stroke-dasharray": "5 4", "stroke-width": "1.5"}
    _add(root, "line", {**line, **dashes})
    for i, text in enumerate(words.later):
        _text(root, text, x + 6, LINE_PX * (i + 1))


def _axis(
    root: ElementTree.Element,
    room: _Room,
    base: float,
    last_day: float,
    in_weeks: bool,
    title: str,
) -> None:
    end = room.margin + room.line
    line = {"x1": str(room.margin), "x2": str(end), "y1": str(base), "y2": str(base)}
    _add(root, "line", {**line, "stroke": QUIET})
    for day in day_ticks(last_day, at_most=room.ticks):
        x = f"{_x(day, last_day, room):.1f}"
        tick = {"x1": x, "x2": x, "y1": str(base), "y2": str(base + 5)}
        _add(root, "line", {**tick, "stroke": QUIET})
        label = str(day // DAYS_PER_WEEK if in_weeks else day)
        _text(root, label, float(x), base + LINE_PX + 2, anchor="middle")
    _text(root, title, room.margin - room.dot // 2, base + 2 * LINE_PX + 4, size=TEXT_PX)


def _sites_height(sites: tuple[float, ...], last_day: float, room: _Room) -> int:
    deepest = max(_site_rows(sites, last_day, room).values())
    return LINE_PX + deepest * (room.dot + 2) + 8


def _site_rows(sites: tuple[float, ...], last_day: float, room: _Room) -> Counter[int]:
    rows = _columns(sites, last_day, room)
    unseen = sum(day > last_day for day in sites)
    if unseen:
        rows[-1] = math.ceil(unseen / room.across)
    return rows


def _sites(
    root: ElementTree.Element,
    sites: tuple[float, ...],
    last_day: float,
    room: _Room,
    top: float,
    title: str,
) -> None:
    """A diamond for each site at its own time; those that share a place stand below each other."""
    line = {"x1": str(room.margin), "x2": str(room.width - room.margin)}
    rule = {"y1": str(top - 8), "y2": str(top - 8), "stroke": GRID}
    _add(root, "line", {**line, **rule})
    _text(root, title, room.margin - room.dot // 2, top + LINE_PX - 6, weight="bold")
    taken: Counter[int] = Counter()
    for day in sorted(sites):
        if day > last_day:
            n = taken[-1]
            x, row = room.unseen_from + room.dot * (n % room.across + 0.5), n // room.across
            column = -1
        else:
            column = next(iter(_columns((day,), last_day, room)))
            x, row = _x(day, last_day, room), taken[column]
        taken[column] += 1
        y = top + LINE_PX + (room.dot + 2) * (row + 0.5)
        _diamond(root, x, y, room.dot / 2 - 1, fill=PAPER if column == -1 else CLAY)


def _diamond(root: ElementTree.Element, x: float, y: float, half: float, *, fill: str) -> None:
    corners = ((x, y - half), (x + half, y), (x, y + half), (x - half, y))
    points = " ".join(f"{px:.1f},{py:.1f}" for px, py in corners)
    _add(root, "polygon", {"points": points, "fill": fill, "stroke": CLAY})


def _text(
    root: ElementTree.Element,
    text: str,
    x: float,
    y: float,
    *,
    anchor: str = "start",
    weight: str = "normal",
    size: int = SMALL_TEXT_PX,
) -> None:
    element = _add(
        root,
        "text",
        {
            "x": f"{x:.1f}",
            "y": f"{y:.1f}",
            "fill": INK,
            "font-family": "sans-serif",
            "font-size": str(size),
            "font-weight": weight,
            "text-anchor": anchor,
        },
    )
    element.text = text


def _add(root: ElementTree.Element, name: str, attributes: dict[str, str]) -> ElementTree.Element:
    return ElementTree.SubElement(root, f"{{{SVG}}}{name}", attributes)
