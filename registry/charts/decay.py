"""Decay curves: how much is left day by day, with spread, and site by site over the data."""

from dataclasses import dataclass

import altair as alt

from registry.charts.axes import day_ticks, percent_domain
from registry.charts.house_style import BAND, BAND_WIDE, CLAY, INK, MOSS, QUIET
from registry.charts.svg import Caption, draw

# A decay is called complete at 90 % lost, so 10 % left is the line to watch.
GONE_AT_PCT = 10.0
SIZE_PX = {"wide": (560, 320), "narrow": (222, 260)}
PANEL_PX = {"wide": (172, 130), "narrow": (222, 100)}
PANEL_COLUMNS = {"wide": 3, "narrow": 1}


@dataclass(frozen=True, slots=True)
class CurveDay:
    """Percent remaining on one day: fitted, interval of the mean, interval of a new pile."""

    day: float
    fitted_pct: float
    low_pct: float | None = None
    high_pct: float | None = None
    new_low_pct: float | None = None
    new_high_pct: float | None = None


@dataclass(frozen=True, slots=True)
class PileMean:
    """Mean percent remaining of one pile's bags on one day."""

    day: float
    remaining_pct: float


@dataclass(frozen=True, slots=True)
class SiteCurve:
    """One site: its data and its fitted curve (empty where it has none)."""

    site: str
    observed: tuple[PileMean, ...]
    curve: tuple[CurveDay, ...] = ()


@dataclass(frozen=True, slots=True)
class CurveWords:
    """Words on the axes, in the reader's language."""

    days: str
    remaining: str
    gone_line: str


def decay_curve(
    curve: tuple[CurveDay, ...],
    *,
    site_curves: tuple[SiteCurve, ...] = (),
    words: CurveWords,
    caption: Caption,
    width: str = "wide",
) -> str:
    """SVG of the pooled curve with both bands, each site's own curve thin behind it."""
    x, y = _axes([point.day for point in curve], [100.0], words)
    thin = [
        {"day": p.day, "value": p.fitted_pct, "site": s.site} for s in site_curves for p in s.curve
    ]
    layers = [
        _band(curve, "new_low_pct", "new_high_pct", BAND_WIDE, x, y),
        _band(curve, "low_pct", "high_pct", BAND, x, y),
        _gone_line(words, y),
        _data(thin).mark_line(color=QUIET, strokeWidth=1).encode(x=x, y=y, detail="site:N"),
        _data([{"day": p.day, "value": p.fitted_pct} for p in curve])
        .mark_line(color=MOSS, strokeWidth=3)
        .encode(x=x, y=y),
    ]
    wide_px, high_px = SIZE_PX[width]
    return draw(alt.layer(*layers).properties(width=wide_px, height=high_px), caption)


def site_panels(
    sites: tuple[SiteCurve, ...],
    *,
    pooled: tuple[CurveDay, ...],
    words: CurveWords,
    caption: Caption,
    width: str = "wide",
) -> str:
    """SVG of one small panel per site: pile means as dots, the site's curve, the pooled dashed."""
    rows = [row for site in sites for row in _panel_rows(site, pooled)]
    days = [row["day"] for row in rows]
    x, y = _axes(days, [row["value"] for row in rows], words, few_ticks=True)
    of_kind = "datum.kind === '{}'".format
    layers = [
        alt.Chart().transform_filter(of_kind("pooled")).mark_line(color=CLAY, strokeDash=[4, 3]),
        alt.Chart().transform_filter(of_kind("site")).mark_line(color=MOSS, strokeWidth=2.5),
        alt.Chart()
        .transform_filter(of_kind("seen"))
        .mark_point(color=INK, size=22, strokeWidth=1.2, opacity=1),
    ]
    wide_px, high_px = PANEL_PX[width]
    panel = alt.layer(*(layer.encode(x=x, y=y) for layer in layers), data=alt.Data(values=rows))
    chart = panel.properties(width=wide_px, height=high_px).facet(
        facet=alt.Facet(
            "site:N",
            title=None,
            sort=[site.site for site in sites],
            header=alt.Header(labelLimit=wide_px),
        ),
        columns=PANEL_COLUMNS[width],
        spacing=18,
    )
    return draw(chart, caption)


def _panel_rows(site: SiteCurve, pooled: tuple[CurveDay, ...]) -> list[dict]:
    curves = (("pooled", pooled), ("site", site.curve))
    fitted = [
        {"site": site.site, "kind": kind, "day": p.day, "value": p.fitted_pct}
        for kind, points in curves
        for p in points
    ]
    seen = [
        {"site": site.site, "kind": "seen", "day": p.day, "value": p.remaining_pct}
        for p in site.observed
    ]
    return fitted + seen


def _data(rows: list[dict]) -> alt.Chart:
    return alt.Chart(alt.Data(values=rows))


def _axes(
    days: list[float], values: list[float], words: CurveWords, *, few_ticks: bool = False
) -> tuple[alt.X, alt.Y]:
    last = max([7.0, *days])
    x = alt.X(
        "day:Q",
        title=words.days,
        scale=alt.Scale(domain=(0, last), nice=False),
        axis=alt.Axis(values=day_ticks(last, at_most=4 if few_ticks else 7), grid=False),
    )
    y = alt.Y(
        "value:Q",
        title=words.remaining,
        scale=alt.Scale(domain=percent_domain(values), nice=False),
        axis=alt.Axis(tickCount=3 if few_ticks else 6, format="d"),
    )
    return x, y


def _band(
    curve: tuple[CurveDay, ...], low: str, high: str, colour: str, x: alt.X, y: alt.Y
) -> alt.Chart:
    rows = [
        {"day": p.day, "value": getattr(p, high), "to": getattr(p, low)}
        for p in curve
        if getattr(p, low) is not None and getattr(p, high) is not None
    ]
    return _data(rows).mark_area(color=colour, opacity=1, clip=True).encode(x=x, y=y, y2="to:Q")


def _gone_line(words: CurveWords, y: alt.Y) -> alt.LayerChart | alt.FacetChart:
    row = [{"value": GONE_AT_PCT, "text": words.gone_line}]
    line = _data(row).mark_rule(color=CLAY, strokeDash=[5, 4]).encode(y=y)
    text = (
        _data(row)
        .mark_text(align="left", baseline="bottom", dx=4, dy=-3, color=INK)
        .encode(y=y, x=alt.value(0), text="text:N")
    )
    return alt.layer(line, text)
