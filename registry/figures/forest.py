"""The forest plot of one estimate: its sites, the mean, and a new pile."""

from functools import partial

from django.utils.translation import gettext as _

from registry.charts.forest import ForestPooled, ForestSite, forest_plot
from registry.figures.shapes import Drawing, Source


def forest(source: Source) -> Drawing | None:
    estimate = source.estimate
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
    if not sites:
        return None
    pooled = ForestPooled(
        mean_label=_("Pooled mean"),
        new_label=_("A new pile"),
        estimate=estimate.estimate,
        low=estimate.ci_low,
        high=estimate.ci_high,
        new_low=estimate.pi_low,
        new_high=estimate.pi_high,
    )
    axis_title = _("Decay rate, per day (log scale)")
    return Drawing(
        title=_("Decay rate of each site, the pooled mean and the range for a new pile"),
        about=_("%(n)d sites. The table that follows holds every number drawn.")
        % {"n": len(sites)},
        draw=partial(forest_plot, sites, pooled, axis_title=axis_title),
    )
