"""What may go with the rates, in sentences: how much, how sure, and why not where not."""

import math
from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters import numbers
from registry.figures.explained import ERRORS, axis_words
from registry.models import Explanation
from registry.models.explanation import ANSWERED
from registry.queries.explanations import HEAT

DIGITS = 3
# A ratio beyond it, either way, is no answer a reader could use.
USELESS_RATIO = 100.0


@dataclass(frozen=True, slots=True)
class HeatRow:
    """One material against one measure of heat; `interval` is of the ratio."""

    code: str
    name: str
    measure: str
    ratio: str
    interval: str
    r2: str
    note: str


def sentence(found: Explanation) -> str:
    """What a step goes with, its interval, and whether the data can tell a direction."""
    if found.code != ANSWERED:
        return _("No answer: %(why)s") % {"why": found.message}
    if _says_nothing(found):
        return _("The interval is too wide to say anything. %(caution)s") % {
            "caution": found.message
        }
    said = _("%(step)s goes with a rate %(ratio)s times as high (95 %% interval %(interval)s).") % {
        "step": _step_words(found),
        "ratio": numbers.significant(found.ratio, DIGITS),
        "interval": numbers.interval(found.ratio_low, found.ratio_high, DIGITS),
    }
    return " ".join(filter(None, [said, _direction(found), found.message]))


def share(found: Explanation) -> str:
    """R² in words."""
    if found.code != ANSWERED:
        return ""
    if found.r2_pct is None:
        return _("The rates differ no more than chance would, so there is nothing to take away.")
    return _(
        "R² = %(r2)d %%: so much of the spread between these rates is less with it than without, "
        "itself hardly known from %(sites)s."
    ) % {"r2": round(found.r2_pct), "sites": numbers.counted_sites(found.n_sites)}


def heading(found: Explanation) -> str:
    if found.kind in HEAT:
        return axis_words(found)
    return _("%(what)s: %(subject)s") % {"what": axis_words(found), "subject": _subject(found)}


def evidence(found: Explanation) -> str:
    """What it rests on."""
    materials = ngettext("%(n)d material", "%(n)d materials", found.n_materials) % {
        "n": found.n_materials
    }
    return _("%(materials)s, %(sites)s, %(n)d rates. %(method)s") % {
        "materials": materials,
        "sites": numbers.counted_sites(found.n_sites),
        "n": found.n_rows,
        "method": found.method,
    }


def point_rows(found: Explanation) -> list[tuple[str, str, str, str]]:
    """The rates drawn: material, site, the moderator, rate with its interval."""
    return [
        (
            point.material.name,
            point.site.name,
            _level(found, point.x),
            _("%(rate)s (%(interval)s)")
            % {
                "rate": numbers.significant(math.exp(point.log_rate), DIGITS),
                "interval": numbers.interval(
                    math.exp(point.log_rate - ERRORS * point.standard_error),
                    math.exp(point.log_rate + ERRORS * point.standard_error),
                    DIGITS,
                ),
            },
        )
        for point in found.points.all()
    ]


def _level(found: Explanation, x: float) -> str:
    if found.kind == "coating":
        return _("coated") if x else _("uncoated")
    return numbers.significant(x, DIGITS)


def heat_row(found: Explanation) -> HeatRow:
    answered = found.code == ANSWERED
    assert found.material is not None
    return HeatRow(
        code=found.material.code,
        name=found.material.name,
        measure={"mean_temperature": _("5 °C more"), "hours_above_55": _("100 h more")}[found.kind],
        ratio=numbers.significant(found.ratio, DIGITS) if answered else numbers.NONE,
        interval=numbers.interval(found.ratio_low, found.ratio_high, DIGITS),
        r2=numbers.NONE if found.r2_pct is None else f"{found.r2_pct:.0f} %",
        note=found.message,
    )


def _subject(found: Explanation) -> str:
    if found.kind == "coating" and found.material and found.other:
        return _("%(one)s beside %(other)s") % {
            "one": found.material.name,
            "other": found.other.name,
        }
    return found.subject


def _step_words(found: Explanation) -> str:
    return {
        "filler_fraction": _("10 points more filler"),
        "thickness": _("Twice the thickness"),
        "coating": _("The coating"),
        "mean_temperature": _("5 °C more on average"),
        "hours_above_55": _("100 hours more at 55 °C or above"),
    }[found.kind]


def _direction(found: Explanation) -> str:
    if found.ci_low is None or found.ci_high is None:
        return ""
    if found.ci_low > 0:
        return _("It goes with faster decay.")
    if found.ci_high < 0:
        return _("It goes with slower decay.")
    return _("These data cannot tell whether it goes with faster or slower decay.")


def _says_nothing(found: Explanation) -> bool:
    low, high = found.ratio_low, found.ratio_high
    return low is None or high is None or low < 1 / USELESS_RATIO or high > USELESS_RATIO
