"""The form of what a coordinator registers; each check returns the value or raises InvalidValue."""

import re
from collections.abc import Sequence
from zoneinfo import available_timezones

from registry.columns import CODE_PATTERN
from registry.errors import InvalidValue
from registry.models.fields import COUNTRY_PATTERN

FIRST_DAY, LAST_DAY = 1, 1100
LONGEST_WINDOW = 60
DEFAULT_DETECTION_LIMIT = 0.02
DEFAULT_WINDOW_DAYS = 2


def code_value(field: str, code: str) -> str:
    if not isinstance(code, str) or not re.fullmatch(CODE_PATTERN.strip("^$"), code):
        raise InvalidValue(
            "A code is 2 to 40 capital letters, digits, hyphens and underscores.", field=field
        )
    return code


def text_value(field: str, text: str, longest: int) -> str:
    text = str(text).strip()
    if not 1 <= len(text) <= longest or not text.isprintable():
        raise InvalidValue(f"Give a {field} of 1 to {longest} characters.", field=field)
    return text


def country_value(country: str) -> str:
    if not re.fullmatch(COUNTRY_PATTERN.strip("^$"), str(country)):
        raise InvalidValue(
            "Give the country as two capital letters (ISO 3166), such as FR.", field="country"
        )
    return country


def time_zone_value(name: str) -> str:
    if name not in available_timezones():
        raise InvalidValue(
            f"{str(name)[:64]!r} is no IANA time zone; write one such as Europe/Paris.",
            field="time_zone",
        )
    return name


def number_between(field: str, value: float | None, low: float, high: float) -> float | None:
    if value is not None and not low <= value <= high:
        raise InvalidValue(f"{field} lies between {low:g} and {high:g}.", field=field)
    return None if value is None else float(value)


def schedule_value(days: Sequence[int]) -> list[int]:
    if not days or any(not FIRST_DAY <= day <= LAST_DAY for day in days):
        raise InvalidValue(
            f"Give at least one day, each {FIRST_DAY} to {LAST_DAY}.", field="schedule_days"
        )
    if list(days) != sorted(set(days)):
        raise InvalidValue("Give the days in ascending order, each once.", field="schedule_days")
    return list(days)


def primary_day_value(day: int, schedule: Sequence[int]) -> int:
    if day not in schedule:
        raise InvalidValue("The primary day must be one of schedule_days.", field="primary_day")
    return day


def detection_limit_value(fraction: float | None) -> float:
    fraction = DEFAULT_DETECTION_LIMIT if fraction is None else fraction
    if not 0 < fraction < 0.5:
        raise InvalidValue(
            "The detection limit is a fraction of the start mass, above 0 and below 0.5.",
            field="detection_limit",
        )
    return fraction


def window_value(days: int | None) -> int:
    days = DEFAULT_WINDOW_DAYS if days is None else days
    if not 0 <= days <= LONGEST_WINDOW:
        raise InvalidValue(f"The window is 0 to {LONGEST_WINDOW} days.", field="window_days")
    return days
