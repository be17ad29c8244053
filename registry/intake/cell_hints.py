"""Why one cell was refused, in a sentence that says what to write instead."""

import difflib
import re
from datetime import date

from registry.columns import Column, Kind
from registry.intake.patterns import NUMBER_PATTERN

ONE_VALUE = "Give a single text or number here, not a list or an object."
CONTROL = "The cell holds control characters; type its content again."

MISSING_WORDS = frozenset(
    (
        "na",
        "n/a",
        "n.a.",
        "nan",
        "null",
        "none",
        "nil",
        "nd",
        "n.d.",
        "-",
        "--",
        ".",
        "?",
        "missing",
    )
    + ("unknown", "inf", "-inf", "infinity", "-infinity", "#n/a", "#value!", "#ref!", "#div/0!")
    + ("#num!", "#name?", "#null!")
)
DECIMAL_COMMA = re.compile(r"^[+-]?\d+,\d+$")
WITH_UNIT = re.compile(r"^([+-]?\d+(?:[.,]\d+)?)\s*((?![xX]\d)[a-zA-Z%°µ²³/]+[a-zA-Z0-9%°µ²³/ ]*)$")
BELOW_LIMIT = re.compile(r"^[<>≤≥~]\s*\d")
SLASHED_DATE = re.compile(r"^(\d{1,2})([/.-])(\d{1,2})\2(\d{2}|\d{4})$")
SPREADSHEET_NUMBER = re.compile(r"^\d+([.,]\d+)?E\+?\d+$", re.IGNORECASE)
SPREADSHEET_DATE = re.compile(
    r"^(\d{1,2}-[a-z]{3}(-\d{2,4})?|[a-z]{3}-\d{2}|\d{4}-\d{2}-\d{2}.*|\d{1,2}/\d{1,2}/\d{2,4}.*)$",
    re.IGNORECASE,
)
DAY_NUMBER = re.compile(r"^[34]\d{4}(\.\d+)?$|^5[0-4]\d{3}(\.\d+)?$")
ISO_LIKE = re.compile(r"^\d{4}-\d{2}-\d{2}")


def explain(text: str, column: Column) -> tuple[str, str]:
    """Code and sentence for a cell that is not what its column takes."""
    match column.kind:
        case Kind.NUMBER | Kind.INTEGER:
            return _number(text, column)
        case Kind.DATE:
            return _date(text)
        case Kind.DATETIME:
            return _datetime(text)
        case Kind.CODE:
            return _code(text)
        case Kind.CHOICE:
            return _choice(text, column)
        case Kind.YES_NO:
            return "not_yes_or_no", "Write yes or no, in small letters, or leave the cell blank."
        case Kind.TEXT:
            return (
                "too_long",
                f"{len(text)} characters; {column.name} takes at most {column.max_length}.",
            )


def looks_like_a_spreadsheet_date(text: str) -> bool:
    return bool(SPREADSHEET_DATE.match(text))


def _number(text: str, column: Column) -> tuple[str, str]:
    if text.lower() in MISSING_WORDS:
        return "missing_word", "Leave the cell blank when there is no value."
    if DECIMAL_COMMA.match(text):
        point = text.replace(",", ".")
        return "decimal_comma", f"Write the decimal point: {point}, not {text}."
    if BELOW_LIMIT.match(text):
        return (
            "not_a_number",
            f"{text} is a limit, not a value. Leave the cell blank, and say it in the notes.",
        )
    if not re.match(NUMBER_PATTERN, text):
        if found := WITH_UNIT.match(text):
            unit = f" ({column.unit})" if column.unit else ""
            return "unit_in_cell", f"Write the number alone, {found[1]}, in {column.name}{unit}."
        hint = " Leave out thousands separators." if re.match(r"^[\d,' ]+(\.\d+)?$", text) else ""
        return "not_a_number", f"{_short(text)} is not a number such as 12.5.{hint}"
    return _out_of_range(float(text), text, column)


def _out_of_range(number: float, text: str, column: Column) -> tuple[str, str]:
    low, high = column.low, column.high
    if column.name == "temperature_c" and high is not None and high < number <= 212:
        celsius = (number - 32) / 1.8
        return (
            "looks_like_fahrenheit",
            f"{text} °C is hotter than any pile. Is it °F ({celsius:.1f} °C)? Then rename the "
            "column to temperature_f.",
        )
    if number == 0 and column.name in ("dry_mass_g", "wet_mass_g"):
        return (
            "zero_mass",
            "0 g is never a residue. If the bag was intact and empty, write nothing_left and leave "
            "the mass blank; if it was torn or not found, bag_damaged or bag_lost.",
        )
    if column.kind is Kind.INTEGER and number != round(number):
        return "not_whole_number", f"{text} is not a whole number."
    unit = f" {column.unit}" if column.unit else ""
    return (
        "out_of_range",
        f"{text} is outside {_plain(low)} to {_plain(high)}{unit}: {column.meaning}. "
        "Check the unit and the decimal point.",
    )


def _date(text: str) -> tuple[str, str]:
    if found := SLASHED_DATE.match(text):
        return _slashed(found)
    if DAY_NUMBER.match(text):
        return (
            "spreadsheet_date_number",
            f"{text} is a spreadsheet's day number. Format the column as 2026-06-02 and export "
            "again.",
        )
    if re.match(r"^\d{4}-\d{2}-\d{2}$", text):
        return "no_such_date", _no_such_date(text)
    if ISO_LIKE.match(text):
        return "not_iso_date", f"Write the date alone, {text[:10]}, without a time."
    return "not_iso_date", f"Write the date as year-month-day, 2026-06-02, not {_short(text)}."


def _slashed(found: re.Match[str]) -> tuple[str, str]:
    first, second, year = int(found[1]), int(found[3]), int(found[4])
    year += 2000 if year < 100 else 0
    if first <= 12 and second <= 12 and first != second:
        return (
            "ambiguous_date",
            f"{found[0]} may be {year}-{second:02}-{first:02} or {year}-{first:02}-{second:02}. "
            "Write the date as year-month-day.",
        )
    day, month = (first, second) if second <= 12 else (second, first)
    return "not_iso_date", f"Write the date as year-month-day: {year}-{month:02}-{day:02}."


def _no_such_date(text: str) -> str:
    try:
        date.fromisoformat(text)
    except ValueError:
        return f"{text} is not in the calendar."
    return f"The year of {text} cannot be right."


def _datetime(text: str) -> tuple[str, str]:
    if re.match(r"^\d{4}-\d{2}-\d{2}$", text):
        return "date_without_time", f"Add the time of day: {text}T09:30."
    if found := SLASHED_DATE.match(text.split(" ")[0].split("T")[0]):
        code, message = _slashed(found)
        return (
            ("ambiguous_date", message)
            if code == "ambiguous_date"
            else (
                "not_iso_datetime",
                message,
            )
        )
    if re.match(r"^\d{5}\.\d+$", text):
        return (
            "spreadsheet_date_number",
            f"{text} is a spreadsheet's day number. Format the column as 2026-04-21T09:30 and "
            "export again.",
        )
    if ISO_LIKE.match(text) and not text.startswith(("19", "20", "21")):
        return "not_iso_datetime", f"The year of {_short(text)} cannot be right."
    return (
        "not_iso_datetime",
        f"Write the time as 2026-04-21T09:30:00+02:00, or without the offset for the site's own "
        f"time; not {_short(text)}.",
    )


def _code(text: str) -> tuple[str, str]:
    if SPREADSHEET_NUMBER.match(text) or looks_like_a_spreadsheet_date(text):
        return (
            "mangled_by_spreadsheet",
            f"A spreadsheet seems to have turned the code into {_short(text)}. Format the column "
            "as text, restore the codes, and export again.",
        )
    capitals = text.upper()
    if capitals != text and re.fullmatch(r"[A-Z0-9_-]{2,40}", capitals):
        return "not_a_code", f"Codes are written in capitals: {capitals}."
    return (
        "not_a_code",
        f"{_short(text)} is not a code: use 2 to 40 capital letters, digits, hyphens, underscores.",
    )


def _choice(text: str, column: Column) -> tuple[str, str]:
    words = ", ".join(column.choices)
    near = difflib.get_close_matches(
        text.lower().replace(" ", "_"), column.choices, n=1, cutoff=0.6
    )
    hint = f" Did you mean {near[0]}?" if near else ""
    return "not_a_choice", f"{_short(text)} is not one of {words}.{hint}"


def _short(text: str) -> str:
    return text if len(text) <= 40 else text[:39] + "…"


def _plain(number: float | None) -> str:
    return "any" if number is None else f"{number:g}" if number < 1e6 else f"{number:.0f}"
