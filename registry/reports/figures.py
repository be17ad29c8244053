"""Charts of a report: those of the pages, in the colours and letters of paper."""

import math
import re

from registry.charts.decay import CurveDay, CurveWords, SiteCurve, decay_curve
from registry.charts.forest import ForestPooled, ForestSite, forest_plot
from registry.charts.svg import Caption
from registry.packages.estimates import Record
from registry.paper.blocks import Drawing

# On a page colours follow its theme; paper has the light one.
THEMED = re.compile(r"var\(--[a-z-]+, ?(#[0-9a-f]{3,6})\)")
PAPER_LETTERS = "Libertinus Serif"
# Shares of a line that leave the letters of both drawings near seven points.
FOREST_SHARE, CURVE_SHARE = 1.6, 1.0
# Room for a code of the site beside its row, and not more than leaves the rows readable.
LETTER_PX, MOST_LABEL_PX = 8.5, 200


def for_paper(svg: str) -> str:
    return THEMED.sub(r"\1", svg).replace(
        'font-family="sans-serif"', f'font-family="{PAPER_LETTERS}"'
    )


def forest_figure(rate: Record) -> Drawing | None:
    """Each site's rate, the pooled mean and the range for a new pile; None without a rate."""
    drawn = [site for site in rate["sites"] if site["estimate"] or site["ci_low"]]
    if not drawn:
        return None
    sites = tuple(
        ForestSite(
            label=site["site"],
            estimate=site["estimate"],
            low=site["ci_low"],
            high=site["ci_high"],
            shrunken=site["shrunken_estimate"],
            weight_pct=site["weight_pct"],
        )
        for site in drawn
    )
    pooled = ForestPooled(
        mean_label="Pooled mean",
        new_label="A new pile" if rate["pi_low"] else "",
        estimate=rate["estimate"],
        low=rate["ci_low"],
        high=rate["ci_high"],
        new_low=rate["pi_low"],
        new_high=rate["pi_high"],
    )
    alt = f"Forest plot of the decay rate of {rate['material']} at {len(sites)} sites."
    svg = forest_plot(
        sites,
        pooled,
        axis_title="Decay rate, per day (log scale)",
        caption=Caption("forest", alt, "The table beside it holds every number drawn."),
        label_px=_label_px([*(site.label for site in sites), pooled.mean_label]),
    )
    caption = f"Decay rate of {rate['material']} by site."
    return Drawing(for_paper(svg), f"{alt} {_said(rate)}", caption, FOREST_SHARE)


def curve_figure(rate: Record) -> Drawing | None:
    """What is left day by day, with both bands and a thin line a site."""
    curve = tuple(
        CurveDay(
            day=point["day"],
            fitted_pct=100 * point["fitted"],
            low_pct=_pct(point["ci_low"]),
            high_pct=_pct(point["ci_high"]),
            new_low_pct=_pct(point["pi_low"]),
            new_high_pct=_pct(point["pi_high"]),
        )
        for point in rate["curve"]
        if point["fitted"] is not None
    )
    if not curve:
        return None
    days = [point.day for point in curve]
    sites = tuple(
        SiteCurve(site["site"], (), _line(own, rate["lag_days"], days))
        for site in rate["sites"]
        if (own := site["shrunken_estimate"] or site["estimate"])
    )
    alt = f"Curve of the dry mass of {rate['material']} left in the average pile, day by day."
    svg = decay_curve(
        curve,
        site_curves=sites,
        words=CurveWords("Days in the pile", "Dry mass left, %", "10 % left"),
        caption=Caption("curve", alt, "With a band for the mean and a wider one for a new pile."),
        width="narrow",
    )
    last = curve[-1]
    told = f"On day {last.day:g} {last.fitted_pct:.0f} % is left."
    caption = f"Dry mass of {rate['material']} left."
    return Drawing(for_paper(svg), f"{alt} {told}", caption, CURVE_SHARE)


def _label_px(labels: list[str]) -> int:
    return min(MOST_LABEL_PX, round(LETTER_PX * max(map(len, labels))))


def _said(rate: Record) -> str:
    if rate["estimate"] is None:
        return ""
    return f"Pooled mean {rate['estimate']:.3g} per day."


def _line(rate: float, lag: float | None, days: list[float]) -> tuple[CurveDay, ...]:
    """The lag and first-order model the estimate was fitted with."""
    return tuple(
        CurveDay(day, 100 * math.exp(-rate * max(0.0, day - (lag or 0.0)))) for day in days
    )


def _pct(fraction: float | None) -> float | None:
    return None if fraction is None else 100 * fraction
