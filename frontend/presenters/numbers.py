"""Numbers as people read them: rounded to what the data can carry, never to a false zero."""

import math
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.utils import dateformat
from django.utils.translation import gettext as _
from django.utils.translation import ngettext, npgettext

from frontend import preferences

NONE = "–"
# The month in letters, since 3/4 is two different days in two countries.
LONG_DAY = "j F Y"
LONG_MOMENT = "j F Y, H:i"


def long_day(day: date) -> str:
    return str(dateformat.format(day, LONG_DAY))


def moment(at: datetime, zone: ZoneInfo) -> str:
    """A moment as the clock of the site showed it."""
    return str(dateformat.format(at.astimezone(zone), LONG_MOMENT))


def significant(value: float | None, digits: int = 2) -> str:
    """`value` to so many significant digits, without an exponent; a dash for None."""
    if value is None:
        return NONE
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, places):.{max(0, places)}f}".replace("-", "−")


def percent(fraction: float | None) -> str:
    """A fraction as whole percents; small but present is "less than 1 %"."""
    if fraction is None:
        return NONE
    if 0 < fraction < 0.005:
        return _("less than 1 %")
    if 0.995 <= fraction < 1:
        return _("more than 99 %")
    return _("%(n)d %%") % {"n": round(100 * fraction)}


def interval(low: float | None, high: float | None, digits: int = 2) -> str:
    """ "0.02 to 0.05"; an open end is said in words."""
    if low is None and high is None:
        return NONE
    if high is None:
        return _("at least %(low)s") % {"low": significant(low, digits)}
    if low is None:
        return _("at most %(high)s") % {"high": significant(high, digits)}
    return _("%(low)s to %(high)s") % {
        "low": significant(low, digits),
        "high": significant(high, digits),
    }


def change(value: float) -> str:
    """Two decimals with a sign, a true minus."""
    return f"{value:+.2f}".replace("-", "−")


def root(variance: float | None) -> str:
    """A variance as its square root, the standard deviation people compare."""
    if variance is None:
        return NONE
    if 0 < variance < 1e-6:
        return "< 0.001"
    return significant(math.sqrt(variance))


def days_as_weeks(days: float | None) -> str:
    """Days in a pile as a grower says it: weeks up to half a year, then months, then years."""
    if days is None:
        return NONE
    if days < 10 or (days <= 720 and preferences.current().time == "days"):
        n = max(1, round(days))
        return ngettext("%(n)d day", "%(n)d days", n) % {"n": n}
    if days <= 200:
        return _("%(n)d weeks") % {"n": round(days / 7)}
    if days <= 720:
        return _("%(n)d months") % {"n": round(days / 30.44)}
    if days <= 3653:
        return _("%(n)d years") % {"n": round(days / 365.25)}
    return _("more than 10 years")


def wait(days: int) -> str:
    """A set time to wait, as the reader counts: whole weeks, or days."""
    if preferences.current().time == "days":
        return npgettext("after so long", "%(n)d day", "%(n)d days", days) % {"n": days}
    n = round(days / 7)
    return npgettext("after so long", "%(n)d week", "%(n)d weeks", n) % {"n": n}


def temperature(celsius: float) -> str:
    """Whole degrees in the reader's unit."""
    if preferences.current().heat == "f":
        return _("%(n)d °F") % {"n": round(celsius * 9 / 5 + 32)}
    return _("%(n)d °C") % {"n": round(celsius)}


def piles_of_ten(chance: float) -> int:
    """How many of ten piles. Never ten unless all but certain, never none unless all but ruled out:
    the small chance that is left must stay visible."""
    if chance >= 0.99:
        return 10
    if chance <= 0.01:
        return 0
    return min(9, max(1, round(10 * chance)))


def of_ten(chance: float) -> str:
    """A chance as a natural frequency, with the two ends in words."""
    if chance >= 0.99:
        return _("in almost all")
    if chance <= 0.01:
        return _("in almost none")
    if chance < 0.05:
        return _("in fewer than 1 of 20")
    if chance > 0.95:
        return _("in more than 19 of 20")
    return _("in about %(n)d of 10") % {"n": piles_of_ten(chance)}


def counted_sites(n: int) -> str:
    return ngettext("%(n)d site", "%(n)d sites", n) % {"n": n}


def counted_piles(n: int) -> str:
    return ngettext("%(n)d pile", "%(n)d piles", n) % {"n": n}


def counted_bags(n: int) -> str:
    return ngettext("%(n)d bag", "%(n)d bags", n) % {"n": n}
