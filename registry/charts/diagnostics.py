"""Whether the primary model fits: what is left over, and how far one site moves the answer."""

from dataclasses import dataclass

import altair as alt

from registry.charts.house_style import BAND, CLAY, INK, QUIET
from registry.charts.svg import Caption, draw

SIZE_PX = {"wide": (520, 280), "narrow": (218, 240)}
ROW_PX = {"wide": 26, "narrow": 30}
INFLUENCE_PX = {"wide": 420, "narrow": 150}
LABEL_PX = {"wide": 190, "narrow": 96}
# Moving the mean by more than its own standard error is worth a look (common practice, no source).
NOTABLE = 1.0


@dataclass(frozen=True, slots=True)
class Residual:
    """A pile's mean on one day less the fitted value, in points; `sd` between its bags."""

    fitted_pct: float
    residual: float
    sd: float | None


@dataclass(frozen=True, slots=True)
class ExpectedSpread:
    """Two standard deviations of a single bag at this fitted value, in points."""

    fitted_pct: float
    two_sd: float


@dataclass(frozen=True, slots=True)
class Influence:
    """By how many standard errors the mean log rate moves when the site is left out."""

    site: str
    change: float


@dataclass(frozen=True, slots=True)
class DiagnosticWords:
    fitted: str = ""
    residual: str = ""
    change: str = ""


def residual_plot(
    residuals: tuple[Residual, ...],
    expected: tuple[ExpectedSpread, ...],
    *,
    words: DiagnosticWords,
    caption: Caption,
    width: str = "wide",
) -> str:
    """SVG: residual against fitted, a bar of one standard deviation between the bags each way."""
    x = alt.X("x:Q", title=words.fitted, axis=alt.Axis(tickCount=5, grid=False))
    y = alt.Y("y:Q", title=words.residual, axis=alt.Axis(tickCount=6))
    band = [{"x": e.fitted_pct, "y": -e.two_sd, "to": e.two_sd} for e in expected]
    dots = [{"x": r.fitted_pct, "y": r.residual} for r in residuals]
    bars = [
        {"x": r.fitted_pct, "y": r.residual - r.sd, "to": r.residual + r.sd}
        for r in residuals
        if r.sd is not None
    ]
    layers = [
        _data(band).mark_area(color=BAND, opacity=1).encode(x=x, y=y, y2="to:Q"),
        _data([{"y": 0}]).mark_rule(color=CLAY, strokeDash=[5, 4]).encode(y=y),
        _data(bars).mark_rule(color=QUIET).encode(x=x, y=y, y2="to:Q"),
        _data(dots).mark_point(color=INK, size=22, strokeWidth=1.2, opacity=1).encode(x=x, y=y),
    ]
    wide_px, high_px = SIZE_PX[width]
    return draw(alt.layer(*layers).properties(width=wide_px, height=high_px), caption)


def influence_plot(
    sites: tuple[Influence, ...],
    *,
    words: DiagnosticWords,
    caption: Caption,
    width: str = "wide",
) -> str:
    """SVG: one row per site, a bar from zero to the change; dashed lines at ± one error."""
    reach = max([1.2 * NOTABLE, *(1.1 * abs(site.change) for site in sites)])
    x = alt.X(
        "change:Q",
        title=words.change,
        scale=alt.Scale(domain=(-reach, reach), nice=False),
        axis=alt.Axis(tickCount=5 if width == "wide" else 3, grid=False),
    )
    y = alt.Y(
        "site:N",
        title=None,
        sort=[site.site for site in sites],
        axis=alt.Axis(domain=False, ticks=False, labelLimit=LABEL_PX[width]),
    )
    rows = [{"site": site.site, "change": site.change, "from": 0} for site in sites]
    marks = [{"change": -NOTABLE}, {"change": NOTABLE}]
    layers = [
        _data(marks).mark_rule(color=CLAY, strokeDash=[5, 4]).encode(x=x),
        _data([{"change": 0}]).mark_rule(color=QUIET).encode(x=x),
        _data(rows).mark_rule(color=INK, strokeWidth=2).encode(x=x, x2="from:Q", y=y),
        _data(rows).mark_point(filled=True, color=INK, size=60, opacity=1).encode(x=x, y=y),
    ]
    size = {"width": INFLUENCE_PX[width], "height": ROW_PX[width] * len(sites)}
    return draw(alt.layer(*layers).properties(**size), caption)


def _data(rows: list[dict]) -> alt.Chart:
    return alt.Chart(alt.Data(values=rows))
