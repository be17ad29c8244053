"""Twenty piles like the reader's on a line of weeks, and each site of the trial below it."""

import math
from functools import partial

import numpy as np
from django.utils.translation import gettext as _

from registry.charts.week_dots import DAYS_PER_WEEK, DotWords, week_dots
from registry.figures.shapes import Drawing, Source
from registry.models import PooledEstimate
from registry.science.grower_rating import days_until_gone
from registry.science.predict import TARGET_LOSS
from registry.science.rating import RateEvidence

N_DOTS = 20


def in_weeks(source: Source) -> Drawing | None:
    return _planned(source, in_weeks=True)


def in_days(source: Source) -> Drawing | None:
    return _planned(source, in_weeks=False)


def twenty_piles(estimate: PooledEstimate) -> tuple[float, ...]:
    """Days until 90 % is gone in twenty equally likely new piles; empty where nothing is known."""
    evidence = RateEvidence(
        n_sites=estimate.n_sites,
        log_rate=estimate.log_estimate,
        pi_low=estimate.pi_low,
        pi_high=estimate.pi_high,
        level=estimate.level,
        lag_days=estimate.lag_days,
    )
    shares = (np.arange(N_DOTS) + 0.5) / N_DOTS
    days = days_until_gone(evidence, tuple(float(share) for share in shares))
    return days or ()


def site_days(estimate: PooledEstimate) -> tuple[float, ...]:
    """Days until 90 % is gone at each site that has a rate of its own."""
    lag, reach = estimate.lag_days or 0.0, -math.log1p(-TARGET_LOSS)
    rates = (part.estimate for part in estimate.sites.all())
    return tuple(lag + reach / rate for rate in rates if rate)


def last_look_day(estimate: PooledEstimate) -> float | None:
    """The end of the stored curve: nobody has looked later than that."""
    return max((point.day for point in estimate.curve.all()), default=None)


def _planned(source: Source, *, in_weeks: bool) -> Drawing | None:
    estimate = source.estimate
    last = last_look_day(estimate)
    dots, sites = twenty_piles(estimate), site_days(estimate)
    if not last or not (dots or sites):
        return None
    end = round(last / DAYS_PER_WEEK) if in_weeks else round(last)
    unit = {"end": end}
    words = DotWords(
        axis=_("Weeks in the pile") if in_weeks else _("Days in the pile"),
        piles=_("20 piles like yours"),
        sites=_("Each site on trial"),
        later=(_("not yet by"), _("week %(end)d") % unit if in_weeks else _("day %(end)d") % unit),
    )
    return Drawing(
        title=_("When the item is gone: 20 piles like yours, and each site"),
        about=_about(dots, sites, last, end, in_weeks=in_weeks),
        draw=partial(week_dots, dots, sites, last_day=last, in_weeks=in_weeks, words=words),
    )


def _about(
    dots: tuple[float, ...], sites: tuple[float, ...], last: float, end: int, *, in_weeks: bool
) -> str:
    told = {
        "dots": sum(day <= last for day in dots),
        "n_dots": len(dots),
        "sites": sum(day <= last for day in sites),
        "n_sites": len(sites),
        "end": end,
    }
    if not dots:
        text = (
            _("Gone by week %(end)d at %(sites)d of %(n_sites)d sites.")
            if in_weeks
            else _("Gone by day %(end)d at %(sites)d of %(n_sites)d sites.")
        )
    elif in_weeks:
        text = _(
            "Gone by week %(end)d in %(dots)d of %(n_dots)d piles, and at %(sites)d of "
            "%(n_sites)d sites."
        )
    else:
        text = _(
            "Gone by day %(end)d in %(dots)d of %(n_dots)d piles, and at %(sites)d of "
            "%(n_sites)d sites."
        )
    return text % told
