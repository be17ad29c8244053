"""Rates against what may explain them: each site by a shape of its own, the fitted line with its
band."""

from dataclasses import dataclass

import altair as alt

from registry.charts.axes import log_domain, log_ticks
from registry.charts.house_style import BAND, CLAY, INK, QUIET, SMALL_TEXT_PX
from registry.charts.svg import Caption, draw

SIZE_PX = {"wide": (500, 300), "narrow": (214, 250)}
LEGEND_COLUMNS = {"wide": 2, "narrow": 1}
LEGEND_LABEL_PX = {"wide": 220, "narrow": 240}
# Text is measured with another font than the browser's, which may run wider.
LEGEND_GAP_PX = 40
# As many as can be told apart at twelve pixels; with more sites all are rings, joined by site.
SHAPES = (
    *("circle", "square", "triangle-up", "diamond", "cross", "triangle-down"),
    *("triangle-left", "triangle-right"),
)
MARGIN = 0.06
# Of the range of x: how far the sites of one level stand apart in all.
ASIDE = 0.06


@dataclass(frozen=True, slots=True)
class RateDot:
    """A rate per day at a site with its interval; `x` in the unit of the axis."""

    site: str
    x: float
    rate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FittedRate:
    """The line at `x`, per day, with its interval."""

    x: float
    rate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class RateWords:
    """Titles of the axes; `ends` name the two levels of a yes or no, at 0 and 1."""

    x: str
    rate: str
    ends: tuple[str, str] | None = None


def rates_explained(
    dots: tuple[RateDot, ...],
    line: tuple[FittedRate, ...] = (),
    *,
    joined: bool,
    words: RateWords,
    caption: Caption,
    width: str = "wide",
) -> str:
    """SVG on a logarithmic rate axis; `joined` draws a thin line through the dots of each site,
    which then stand a little beside their level.
    """
    x = _x_axis([dot.x for dot in dots], words, width)
    y = _y_axis(dots, line, words)
    aside = _aside(dots) if joined else {}
    rows = [
        {
            "site": d.site,
            "x": d.x + aside.get(d.site, 0.0),
            "rate": d.rate,
            "low": d.low,
            "high": d.high,
        }
        for d in dots
    ]
    fitted = [{"x": p.x, "rate": p.rate, "low": p.low, "high": p.high} for p in line]
    data, path = alt.Chart(alt.Data(values=rows)), alt.Chart(alt.Data(values=fitted))
    low, high = alt.Y("low:Q"), alt.Y2("high:Q")
    layers: list[alt.Chart] = []
    if line:
        layers.append(path.mark_area(color=BAND, opacity=1, clip=True).encode(x=x, y=low, y2=high))
    if joined:
        thin = data.mark_line(color=QUIET, strokeWidth=1)
        layers.append(thin.encode(x=x, y=y, detail="site:N"))
    layers.append(data.mark_rule(color=QUIET, clip=True).encode(x=x, y=low, y2=high))
    if line:
        layers.append(path.mark_line(color=CLAY, strokeWidth=2.5, clip=True).encode(x=x, y=y))
    marks = data.mark_point(color=INK, size=55, strokeWidth=1.6, opacity=1)
    layers.append(marks.encode(x=x, y=y, **_shapes(dots, width)))
    wide_px, high_px = SIZE_PX[width]
    return draw(alt.layer(*layers).properties(width=wide_px, height=high_px), caption)


def _aside(dots: tuple[RateDot, ...]) -> dict[str, float]:
    """By how much each site stands beside the level, so that intervals do not cover each other."""
    sites = sorted({dot.site for dot in dots})
    xs = [dot.x for dot in dots]
    step = ASIDE * (max(xs) - min(xs)) / len(sites)
    return {site: step * (i - (len(sites) - 1) / 2) for i, site in enumerate(sites)}


def _x_axis(values: list[float], words: RateWords, width: str) -> alt.X:
    if words.ends is not None:
        bare, coated = words.ends
        named = alt.Axis(
            values=[0, 1],
            grid=False,
            labelExpr=f"datum.value < 0.5 ? {_quoted(bare)} : {_quoted(coated)}",
        )
        return alt.X("x:Q", title=words.x, scale=alt.Scale(domain=(-0.35, 1.35)), axis=named)
    spread = (max(values) - min(values)) or 1.0
    domain = (min(values) - MARGIN * spread, max(values) + MARGIN * spread)
    return alt.X(
        "x:Q",
        title=words.x,
        scale=alt.Scale(domain=domain, nice=False),
        axis=alt.Axis(tickCount=6 if width == "wide" else 4, grid=False, format="~f"),
    )


def _y_axis(dots: tuple[RateDot, ...], line: tuple[FittedRate, ...], words: RateWords) -> alt.Y:
    # By the rates themselves: an interval that says nothing would flatten them.
    domain = log_domain([*(d.rate for d in dots), *(p.rate for p in line)], margin=1.4)
    return alt.Y(
        "rate:Q",
        title=words.rate,
        scale=alt.Scale(type="log", domain=domain, nice=False),
        axis=alt.Axis(values=log_ticks(*domain, at_most=7), format="~r"),
    )


def _shapes(dots: tuple[RateDot, ...], width: str) -> dict[str, object]:
    sites = list(dict.fromkeys(sorted(dot.site for dot in dots)))
    if len(sites) > len(SHAPES):
        return {}
    legend = alt.Legend(
        title=None,
        orient="bottom",
        columns=LEGEND_COLUMNS[width],
        columnPadding=LEGEND_GAP_PX,
        labelColor=INK,
        labelFontSize=SMALL_TEXT_PX,
        labelLimit=LEGEND_LABEL_PX[width],
        symbolStrokeColor=INK,
        symbolSize=55,
        symbolFillColor="transparent",
    )
    scale = alt.Scale(domain=sites, range=list(SHAPES[: len(sites)]))
    return {"shape": alt.Shape("site:N", scale=scale, legend=legend)}


def _quoted(text: str) -> str:
    """As a string of the chart's expression language."""
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"
