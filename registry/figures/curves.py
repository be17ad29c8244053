"""The curve of one estimate, and each site's curve over the means of its piles."""

import math
from functools import partial

from django.utils.translation import gettext as _

from registry.charts.decay import (
    CurveDay,
    CurveWords,
    PileMean,
    SiteCurve,
    decay_curve,
    site_panels,
)
from registry.figures.shapes import Drawing, Source
from registry.models import PooledEstimate, SiteEstimate


def curve(source: Source) -> Drawing | None:
    """The pooled curve with both bands, and each site's own curve behind it."""
    estimate = source.estimate
    days = curve_days(estimate)
    if not days:
        return None
    sites = tuple(_site_curve(estimate, part, ()) for part in estimate.sites.all())
    return Drawing(
        title=_("How much is left, day by day"),
        about=_(
            "Curve of the dry mass left in the average pile, with a band for its uncertainty and "
            "a wider band for a new pile; a thin line for each site. The table that follows holds "
            "the numbers."
        ),
        draw=partial(decay_curve, days, site_curves=sites, words=_words()),
    )


def panels(source: Source) -> Drawing | None:
    """Small curves site by site over the means of their piles."""
    estimate = source.estimate
    days = curve_days(estimate)
    parts = estimate.sites.all()
    if not days or not parts:
        return None
    seen: dict[str, list[PileMean]] = {}
    for mean in source.pile_means:
        seen.setdefault(mean.site, []).append(PileMean(mean.day, 100 * mean.remaining))
    sites = tuple(
        _site_curve(estimate, part, tuple(seen.get(part.site.code, ()))) for part in parts
    )
    return Drawing(
        title=_("Curve of each site over its data"),
        about=_(
            "One panel per site: a ring for the mean of one pile's bags on one day, the site's "
            "curve as a full line, the pooled curve dashed."
        ),
        draw=partial(site_panels, sites, pooled=days, words=_words()),
    )


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


def site_curves(estimate: PooledEstimate) -> tuple[tuple[str, tuple[CurveDay, ...]], ...]:
    """Code and fitted curve of each site that has a rate."""
    return tuple(
        (part.site.code, _site_curve(estimate, part, ()).curve) for part in estimate.sites.all()
    )


def _site_curve(
    estimate: PooledEstimate, part: SiteEstimate, observed: tuple[PileMean, ...]
) -> SiteCurve:
    rate = part.shrunken_estimate or part.estimate
    days = [point.day for point in estimate.curve.all()]
    lag = estimate.lag_days or 0.0
    curve = tuple(CurveDay(day, 100 * remaining(rate, lag, day)) for day in days) if rate else ()
    return SiteCurve(part.site.name, observed, curve)


def remaining(rate_per_day: float, lag_days: float, day: float) -> float:
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
