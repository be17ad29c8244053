"""Rates against what may explain them; of one material, its rates against the heat of its piles."""

import math
from functools import partial

import numpy as np
from django.utils.translation import gettext as _

from registry.charts.explained import FittedRate, RateDot, RateWords, rates_explained
from registry.figures.shapes import Drawing, Source
from registry.models import Explanation
from registry.queries.explanations import heat_of_material
from registry.science.explanation_types import line, regressor

LINE_POINTS = 25
# Ends of a rate's own interval, in standard errors.
ERRORS = 1.96
# e to this is beyond any axis, and before the largest number.
MOST_LOG_RATE = 50.0


def mean_temperature(source: Source) -> Drawing | None:
    return _heat(source, "mean_temperature")


def hours_above_55(source: Source) -> Drawing | None:
    return _heat(source, "hours_above_55")


def _heat(source: Source, kind: str) -> Drawing | None:
    found = heat_of_material(source.estimate.run, source.estimate.material)
    explanation = next((item for item in found if item.kind == kind), None)
    return None if explanation is None else explained(explanation)


def explained(found: Explanation) -> Drawing | None:
    """The rates against the moderator, with the line where there is one; None without rates."""
    dots = tuple(
        RateDot(
            site=point.site.name,
            x=point.x,
            rate=math.exp(point.log_rate),
            low=math.exp(point.log_rate - ERRORS * point.standard_error),
            high=math.exp(point.log_rate + ERRORS * point.standard_error),
        )
        for point in found.points.all()
    )
    # Thicknesses without an answer tell nothing that the filler's figure does not.
    if not dots or (found.kind == "thickness" and found.slope is None):
        return None
    coating = found.kind == "coating"
    words = RateWords(
        x=axis_words(found),
        rate=_("Rate, per day (log scale)"),
        ends=(_("uncoated"), _("coated")) if coating else None,
    )
    fitted = () if coating else _line(found, [dot.x for dot in dots])
    # In a family or a pair the rates of one site belong together; piles of one material do not.
    joined = found.kind in ("coating", "filler_fraction")
    return Drawing(
        title=_("Rate against %(what)s: %(subject)s") % {"what": words.x, "subject": found.subject},
        about=_("%(n)d rates at %(sites)d sites, each with its 95 %% interval.")
        % {"n": found.n_rows, "sites": found.n_sites},
        draw=partial(rates_explained, dots, fitted, joined=joined, words=words),
    )


def axis_words(found: Explanation) -> str:
    """The moderator with its unit, as an axis or a heading has it."""
    return {
        "filler_fraction": _("Filler, % of dry mass"),
        "thickness": _("Thickness, µm"),
        "coating": _("Coating"),
        "mean_temperature": _("Mean temperature of the pile, °C"),
        "hours_above_55": _("Hours at or above 55 °C"),
    }[found.kind]


def _line(found: Explanation, xs: list[float]) -> tuple[FittedRate, ...]:
    if found.slope is None or found.intercept is None:
        return ()
    x = np.linspace(min(xs), max(xs), LINE_POINTS)
    log_rates = line(
        found.intercept,
        found.slope,
        (found.intercept_standard_error or 0.0, found.standard_error or 0.0),
        found.covariance or 0.0,
        found.df or 1.0,
        regressor(found.kind, x),
        found.level,
    )
    rates = [np.exp(np.clip(part, -MOST_LOG_RATE, MOST_LOG_RATE)).tolist() for part in log_rates]
    return tuple(FittedRate(*values) for values in zip(x.tolist(), *rates, strict=True))
