"""Numbers of a printed report, as text."""

import math
from datetime import date, datetime
from typing import Any

import pandas as pd

NONE = "–"


def blank(value: Any) -> bool:
    return value is None or value == "" or bool(pd.isna(value))


def sig(value: Any, digits: int = 3) -> str:
    """To so many significant digits without an exponent; a dash for nothing."""
    if blank(value) or not math.isfinite(value):
        return NONE
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{round(float(value), places):.{max(0, places)}f}".replace("-", "−")


def between(low: Any, high: Any, digits: int = 3) -> str:
    """An interval; an end that is open is said."""
    if blank(low) and blank(high):
        return NONE
    if blank(high):
        return f"at least {sig(low, digits)}"
    if blank(low):
        return f"at most {sig(high, digits)}"
    return f"{sig(low, digits)} to {sig(high, digits)}"


def percent(fraction: Any) -> str:
    """A fraction in percent to a tenth."""
    return NONE if blank(fraction) else f"{100 * float(fraction):.1f} %".replace("-", "−")


def text(value: Any, otherwise: str = NONE) -> str:
    """Anything as one cell: dates in ISO 8601, whole numbers without a point."""
    if blank(value):
        return otherwise
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%d %H:%M UTC")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)


def p_value(p: Any) -> str:
    if blank(p):
        return NONE
    return "< 0.001" if p < 0.001 else f"{p:.3f}"


def counted(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"
