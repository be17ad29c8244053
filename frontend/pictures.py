"""Pictures of pooled estimates, each in a wide and a narrow drawing, drawn once and kept.

The key is made from the records that are drawn, so a kept picture can never show other numbers
than the table beside it.
"""

import hashlib
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from django.core.cache import caches
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import get_language
from django.utils.translation import gettext as _

from frontend.presenters.across import forest_pooled, forest_rows
from registry.charts.decay import (
    CurveDay,
    CurveWords,
    PileMean,
    SiteCurve,
    decay_curve,
    site_panels,
)
from registry.charts.forest import ForestPooled, ForestSite, forest_plot
from registry.charts.svg import Caption
from registry.models import PooledEstimate
from registry.queries.across_trials import AcrossTrialsAnswer
from registry.queries.pile_means import PileDayMean

KEEP_SECONDS = 24 * 60 * 60
# Raise it when a drawing changes, so that no kept picture survives an upgrade.
DRAWING_VERSION = 5
LONG_NAMES_PX = 300


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture for wide and one for narrow screens; a page shows one of them."""

    wide: SafeString
    narrow: SafeString


def forest_picture(estimate: PooledEstimate, *, unit: str) -> Picture:
    sites = tuple(
        ForestSite(
            label=part.site.name,
            estimate=part.estimate,
            low=part.ci_low,
            high=part.ci_high,
            shrunken=part.shrunken_estimate,
            weight_pct=part.weight_pct,
        )
        for part in estimate.sites.all()
    )
    pooled = ForestPooled(
        mean_label=_("Pooled mean"),
        new_label=_("A new pile"),
        estimate=estimate.estimate,
        low=estimate.ci_low,
        high=estimate.ci_high,
        new_low=estimate.pi_low,
        new_high=estimate.pi_high,
    )
    title = _("Decay rate of each site, the pooled mean and the range for a new pile")
    about = _("%(n)d sites. The table that follows holds every number drawn.") % {"n": len(sites)}
    axis_title = _("Decay rate, %(unit)s (log scale)") % {"unit": unit}
    draw = partial(forest_plot, sites, pooled, axis_title=axis_title)
    return kept("forest", (sites, pooled, axis_title), title, about, draw)


def across_picture(found: AcrossTrialsAnswer, outcome: str) -> Picture:
    """Every site of every released trial, the studies from elsewhere, and the mean if advised."""
    rows, pooled = forest_rows(found), forest_pooled(found)
    axis_title = {
        "days_to_90": _("Days until 90 % is gone (log scale)"),
        "decay_rate": _("Decay rate, per day (log scale)"),
    }[outcome]
    title = _("Each site of each trial, and the mean over trials")
    about = _("%(n)d estimates. The tables on this page hold every number drawn.") % {
        "n": len(rows)
    }
    draw = partial(forest_plot, rows, pooled, axis_title=axis_title, label_px=LONG_NAMES_PX)
    return kept("across", (rows, pooled, axis_title), title, about, draw)


def curve_picture(estimate: PooledEstimate) -> Picture:
    """The pooled curve with both bands, and each site's own curve behind it."""
    curve = curve_days(estimate)
    sites = tuple(_site_curve(estimate, part, ()) for part in estimate.sites.all())
    title = _("How much is left, day by day")
    about = _(
        "Curve of the dry mass left in the average pile, with a band for its uncertainty and a "
        "wider band for a new pile; a thin line for each site. The table that follows holds the "
        "numbers."
    )
    draw = partial(decay_curve, curve, site_curves=sites, words=_words())
    return kept("curve", (curve, sites), title, about, draw)


def panels_picture(estimate: PooledEstimate, means: list[PileDayMean]) -> Picture:
    """Small curves site by site over the means of their piles."""
    seen: dict[str, list[PileMean]] = {}
    for mean in means:
        seen.setdefault(mean.site, []).append(PileMean(mean.day, 100 * mean.remaining))
    sites = tuple(
        _site_curve(estimate, part, tuple(seen.get(part.site.code, ())))
        for part in estimate.sites.all()
    )
    pooled = curve_days(estimate)
    title = _("Curve of each site over its data")
    about = _(
        "One panel per site: a ring for the mean of one pile's bags on one day, the site's curve "
        "as a full line, the pooled curve dashed."
    )
    draw = partial(site_panels, sites, pooled=pooled, words=_words())
    return kept("panels", (sites, pooled), title, about, draw)


def curve_days(estimate: PooledEstimate) -> tuple[CurveDay, ...]:
    """The stored curve in percent; days without a fitted value are left out."""
    return tuple(
        CurveDay(
            day=point.day,
            fitted_pct=100 * point.fitted,
            low_pct=_pct(point.ci_low),
            high_pct=_pct(point.ci_high),
            new_low_pct=_pct(point.pi_low),
            new_high_pct=_pct(point.pi_high),
        )
        for point in estimate.curve.all()
        if point.fitted is not None
    )


def _site_curve(
    estimate: PooledEstimate, part: object, observed: tuple[PileMean, ...]
) -> SiteCurve:
    rate = part.shrunken_estimate or part.estimate  # type: ignore[attr-defined]
    days = [point.day for point in estimate.curve.all()]
    lag = estimate.lag_days or 0.0
    curve = tuple(CurveDay(day, 100 * _remaining(rate, lag, day)) for day in days) if rate else ()
    return SiteCurve(part.site.name, observed, curve)  # type: ignore[attr-defined]


def _remaining(rate_per_day: float, lag_days: float, day: float) -> float:
    """Fraction left by the lag + first-order model the estimate was fitted with."""
    return math.exp(-rate_per_day * max(0.0, day - lag_days))


def _pct(fraction: float | None) -> float | None:
    return None if fraction is None else 100 * fraction


def _words() -> CurveWords:
    return CurveWords(
        days=_("Days in the pile"),
        remaining=_("Dry mass left, %"),
        gone_line=_("10 % left"),
    )


def kept(kind: str, records: object, title: str, about: str, draw: Callable[..., str]) -> Picture:
    """The picture that `draw` makes of these records, or the one it made before."""
    text = repr((DRAWING_VERSION, get_language(), kind, records, title, about))
    key = "picture:" + hashlib.sha256(text.encode()).hexdigest()
    shelf = caches["pictures"]
    drawn = shelf.get(key)
    if drawn is None:
        drawn = tuple(
            draw(caption=Caption(f"{kind}-{width}", title, about), width=width)
            for width in ("wide", "narrow")
        )
        shelf.set(key, drawn, KEEP_SECONDS)
    # Built by our own code from numbers and escaped text; no part of it is markup from outside.
    return Picture(*(mark_safe(svg) for svg in drawn))
