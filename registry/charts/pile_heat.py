"""The heat of one pile, day by day, with what was done to it and what is missing, row by row."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import altair as alt

from registry.charts.axes import day_ticks
from registry.charts.house_style import (
    BAND,
    CLAY,
    INK,
    MOSS,
    QUIET,
    SMALL_TEXT_PX,
)
from registry.charts.svg import Caption, draw

PLOT_PX = {"wide": (520, 260), "narrow": (222, 220)}
# The words of a row stand beside it, or on a narrow drawing above it.
ROW_PX = {"wide": 26, "narrow": 40}
LABEL_PX = 100
WORDS_ABOVE_PX = -14
# A pile is warm from here and sanitised from there: the two lines that people look for.
LINES_C = (40.0, 55.0)


@dataclass(frozen=True, slots=True)
class DayHeat:
    """One day, counted from the day the pile was built: lowest, mean and highest reading, °C."""

    day: int
    low_c: float
    mean_c: float
    high_c: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment, or a span when `until_day` is given, in the row of that name."""

    row: str
    from_day: float
    until_day: float | None = None


@dataclass(frozen=True, slots=True)
class HeatWords:
    """Words on the axes, in the reader's language."""

    days: str
    celsius: str


def pile_heat(
    inside: tuple[DayHeat, ...],
    *,
    air: tuple[DayHeat, ...] = (),
    rows: tuple[str, ...] = (),
    marks: tuple[Mark, ...] = (),
    words: HeatWords,
    caption: Caption,
    width: str = "wide",
) -> str:
    """SVG: a band from lowest to highest with the mean in it, the air dashed, and below it one
    named row for each kind of mark. A day without readings breaks the band."""
    wide_px, high_px = PLOT_PX[width]
    x = _days(inside, marks, words, few=width == "narrow")
    # The axis stands once, below the rows.
    bare = _days(inside, marks, words, few=width == "narrow", axis=not rows)
    y = alt.Y("celsius:Q", title=words.celsius, scale=alt.Scale(domain=_celsius(inside, air)))
    heat = alt.layer(
        _band(inside).encode(x=bare, y=y, y2="to:Q", detail="run:N"),
        _data([{"celsius": line} for line in LINES_C])
        .mark_rule(color=QUIET, strokeDash=[2, 3])
        .encode(y=y),
        _means(air).mark_line(color=QUIET, strokeDash=[5, 3]).encode(x=bare, y=y, detail="run:N"),
        _means(inside).mark_line(color=MOSS, strokeWidth=2.5).encode(x=bare, y=y, detail="run:N"),
    ).properties(width=wide_px, height=high_px)
    if not rows:
        return draw(heat, caption)
    strips = _strips(rows, marks, x, width).properties(
        width=wide_px, height=ROW_PX[width] * len(rows)
    )
    return draw(alt.vconcat(heat, strips, spacing=4), caption)


def _data(rows: Iterable[dict[str, Any]]) -> alt.Chart:
    return alt.Chart(alt.Data(values=list(rows)))


def _runs(days: tuple[DayHeat, ...]) -> list[tuple[int, DayHeat]]:
    """Each day with the number of its run of neighbouring days."""
    run, found = 0, []
    for before, day in zip((None, *days), days, strict=False):
        if before is not None and day.day - before.day > 1:
            run += 1
        found.append((run, day))
    return found


def _band(days: tuple[DayHeat, ...]) -> alt.Chart:
    # A reading belongs to the middle of its day.
    rows = [
        {"day": d.day + 0.5, "celsius": d.high_c, "to": d.low_c, "run": run}
        for run, d in _runs(days)
    ]
    return _data(rows).mark_area(color=BAND, opacity=1)


def _means(days: tuple[DayHeat, ...]) -> alt.Chart:
    return _data({"day": d.day + 0.5, "celsius": d.mean_c, "run": run} for run, d in _runs(days))


def _strips(
    rows: tuple[str, ...], marks: tuple[Mark, ...], x: alt.X, width: str
) -> alt.LayerChart | alt.FacetChart:
    beside = alt.Axis(domain=False, ticks=False, labelLimit=LABEL_PX, grid=True)
    y = alt.Y(
        "row:N",
        title=None,
        sort=None,
        scale=alt.Scale(domain=list(rows), paddingInner=0, paddingOuter=0),
        axis=beside if width == "wide" else None,
    )
    spans = [m for m in marks if m.until_day is not None]
    moments = [m for m in marks if m.until_day is None]
    layers: list[alt.Chart] = [
        _data({"row": m.row, "day": m.from_day, "to": m.until_day} for m in spans)
        .mark_rule(color=CLAY, strokeWidth=8)
        .encode(x=x, x2="to:Q", y=y),
        _data({"row": m.row, "day": m.from_day} for m in moments)
        .mark_point(shape="triangle-down", filled=True, color=INK, size=70, opacity=1)
        .encode(x=x, y=y),
    ]
    if width == "narrow":
        layers.append(
            _data({"row": row} for row in rows)
            .mark_text(align="left", dy=WORDS_ABOVE_PX, fontSize=SMALL_TEXT_PX, color=INK)
            .encode(y=y, x=alt.value(0), text="row:N")
        )
    return alt.layer(*layers)


def _days(
    inside: tuple[DayHeat, ...],
    marks: tuple[Mark, ...],
    words: HeatWords,
    *,
    few: bool,
    axis: bool = True,
) -> alt.X:
    ends = [d.day + 1.0 for d in inside] + [m.until_day or m.from_day for m in marks]
    starts = [float(d.day) for d in inside] + [m.from_day for m in marks]
    first, last = min([0.0, *starts]), max([7.0, *ends])
    return alt.X(
        "day:Q",
        title=words.days if axis else None,
        scale=alt.Scale(domain=(first, last), nice=False),
        axis=alt.Axis(values=day_ticks(last, at_most=5 if few else 8), grid=False)
        if axis
        else None,
    )


def _celsius(inside: tuple[DayHeat, ...], air: tuple[DayHeat, ...]) -> tuple[float, float]:
    lowest = min([0.0, *(d.low_c for d in inside), *(d.mean_c for d in air)])
    highest = max([60.0, *(d.high_c for d in inside), *(d.mean_c for d in air)])
    return (5.0 * (lowest // 5.0), 5.0 * -(-highest // 5.0))
