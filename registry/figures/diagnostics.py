"""How well the model of one estimate fits: what its curves leave over, and what each site moves."""

import math
from functools import partial

import numpy as np
from django.utils.translation import gettext as _

from registry.charts.diagnostics import (
    DiagnosticWords,
    ExpectedSpread,
    Influence,
    Residual,
    influence_plot,
    residual_plot,
)
from registry.figures.curves import remaining
from registry.figures.shapes import Drawing, Source
from registry.models import PooledEstimate

SPREAD_POINTS = 21


def residuals(source: Source) -> Drawing | None:
    """Pile means less the curve of their site, against that curve; None without a curve."""
    left = residuals_of(source)
    if not left:
        return None
    words = DiagnosticWords(
        fitted=_("Dry mass left by the curve of the site, %"),
        residual=_("Seen less fitted, points"),
    )
    return Drawing(
        title=_("What the curves leave over"),
        about=_(
            "%(n)d means of a pile's bags on one day, each less the curve of its site, against "
            "that curve. The band holds two standard deviations of a single bag as the model has "
            "it."
        )
        % {"n": len(left)},
        draw=partial(residual_plot, left, _expected(source.estimate), words=words),
    )


def residuals_of(source: Source) -> tuple[Residual, ...]:
    """In percent of the start mass, by the order of the pile means."""
    estimate = source.estimate
    rates = {p.site.code: p.shrunken_estimate or p.estimate for p in estimate.sites.all()}
    lag = estimate.lag_days or 0.0
    found = []
    for mean in source.fitted_means:
        rate = rates.get(mean.site)
        if rate is None:
            continue
        fitted = 100 * remaining(rate, lag, mean.day)
        sd = None if mean.sd is None else 100 * mean.sd
        found.append(Residual(fitted, 100 * mean.remaining - fitted, sd))
    return tuple(found)


def _expected(estimate: PooledEstimate) -> tuple[ExpectedSpread, ...]:
    a, b = estimate.residual_a, estimate.residual_b
    if a is None or b is None:
        return ()
    return tuple(
        ExpectedSpread(100 * f, 200 * math.sqrt(max(0.0, a + b * f * f)))
        for f in np.linspace(0.0, 1.0, SPREAD_POINTS).tolist()
    )


def influence(source: Source) -> Drawing | None:
    """How far leaving each site out moves the mean log rate; None where it cannot be said."""
    sites = influences(source.estimate)
    if not sites:
        return None
    words = DiagnosticWords(change=_("Change, in standard errors"))
    return Drawing(
        title=_("How much each site moves the mean"),
        about=_(
            "One row per site: change of the mean log rate when it is left out, in standard errors "
            "of the mean. Dashed lines at one standard error."
        ),
        draw=partial(influence_plot, sites, words=words),
    )


def influences(estimate: PooledEstimate) -> tuple[Influence, ...]:
    """The largest change first."""
    error = estimate.log_standard_error
    if estimate.log_estimate is None or not error:
        return ()
    found = [
        Influence(part.site.name, (math.log(part.estimate) - estimate.log_estimate) / error)
        for part in estimate.left_out.all()
        if part.estimate
    ]
    return tuple(sorted(found, key=lambda one: -abs(one.change)))
