"""What may be asked about a plan: every value once, with its range, unit and meaning.

The API's parameters, the page's form and the command's options are made from this list, and one
reading of the texts checks them all.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from registry.errors import InvalidValue

MOST_LOOKS = 30
LONGEST_DAY = 3660.0
# A request may draw and fit so many trials: about a second; the command draws as many as wanted.
MOST_SIMULATIONS = 25


@dataclass(frozen=True, slots=True)
class PlanField:
    """`kind`: text, whole (a whole number), number or days (numbers with commas between)."""

    name: str
    kind: str
    meaning: str
    low: float = 0.0
    high: float = math.inf
    group: str = "plan"


def _number(name: str, group: str, low: float, high: float, meaning: str) -> PlanField:
    return PlanField(name, "number", meaning, low, high, group)


def _whole(name: str, group: str, low: int, high: int, meaning: str) -> PlanField:
    return PlanField(name, "whole", meaning, low, high, group)


FIELDS = (
    PlanField("trial", "text", "code of a trial: variances of its newest finished pooling run"),
    _whole("run", "plan", 1, 2**63 - 1, "id of a finished pooling run, in place of a trial"),
    PlanField("material", "text", "code of the material whose decay rate is taken from the run"),
    _whole("sites", "plan", 2, 200, "sites"),
    _whole("piles", "plan", 1, 50, "piles per site"),
    _whole("bags", "plan", 1, 50, "bags per material, pile and look"),
    _whole("materials", "plan", 1, 200, "materials, with the reference and the controls"),
    PlanField("days", "days", "days of the looks, with commas between"),
    _number("level", "plan", 0.5, 0.999, "level of the intervals"),
    _number("rate_per_day", "decay", 1e-5, 10, "decay rate of the typical pile, per day"),
    _number("lag_days", "decay", 0, 1000, "days before the loss begins"),
    _number("decay_tau2_site", "decay", 0, 25, "variance of the log rate between sites"),
    _number("decay_tau2_pile", "decay", 0, 25, "variance of the log rate between piles of a site"),
    _number("decay_a", "decay", 1e-8, 1, "a of the residual variance a + b·f² of the fraction f"),
    _number("decay_b", "decay", 0, 1, "b of the residual variance a + b·f²"),
    _number("day_tau2_site", "day", 0, 1e4, "variance between sites, percentage points squared"),
    _number("day_tau2_site_material", "day", 0, 1e4, "of site and material together"),
    _number("day_tau2_pile", "day", 0, 1e4, "between piles of a site"),
    _number("day_tau2_pile_material", "day", 0, 1e4, "of pile and material together"),
    _number("day_residual", "day", 0, 1e4, "between bags of one material in one pile"),
    _number("difference", "goal", 0.1, 100, "true difference to show, percentage points"),
    _whole("comparisons", "goal", 1, 200, "materials compared with the reference at once"),
    _number("goal_factor", "goal", 1.001, 100, "days to 90 % known within this factor"),
    _number("goal_half_width", "goal", 0.01, 100, "difference known to ± percentage points"),
    _number("goal_power", "goal", 0.01, 0.9999, "chance to show the difference"),
    _number("cost_site", "cost", 0, 1e9, "of a site, in any unit"),
    _number("cost_pile", "cost", 0, 1e9, "of a pile"),
    _number("cost_bag", "cost", 0, 1e9, "of a bag with its laboratory work"),
    _whole("most_sites", "cost", 2, 200, "largest number of sites to consider"),
    _whole("most_piles", "cost", 1, 20, "largest number of piles per site"),
    _whole("most_bags", "cost", 1, 20, "largest number of bags per material, pile and look"),
    _whole(
        "simulations",
        "check",
        0,
        MOST_SIMULATIONS,
        "trials to draw and fit beside the formula; for people signed in and holders of a token",
    ),
    _whole("seed", "check", 0, 2**32 - 1, "of the drawn trials"),
)
BY_NAME = {field.name: field for field in FIELDS}


def read_asked(sent: Mapping[str, str]) -> dict[str, Any]:
    """The values sent, by name; blanks are left out.

    Raises InvalidValue, with its field, for an unknown name or a value out of range.
    """
    unknown = sorted(set(sent) - set(BY_NAME))
    if unknown:
        raise InvalidValue(f"A plan has no field {unknown[0]!r}.", field=unknown[0])
    texts = {name: text.strip() for name, text in sent.items()}
    return {name: _read(BY_NAME[name], text) for name, text in texts.items() if text}


def _read(field: PlanField, text: str) -> Any:
    if "\x00" in text:
        raise InvalidValue(f"{field.name} holds a NUL character.", field=field.name)
    if field.kind == "text":
        return text
    if field.kind == "days":
        return _days(field, text)
    if field.kind == "whole" and not (text.isascii() and text.isdigit() and len(text) < 20):
        raise InvalidValue(f"{field.name} is a whole number.", field=field.name)
    value = int(text) if field.kind == "whole" else _finite(field, text)
    if not field.low <= value <= field.high:
        raise InvalidValue(
            f"{field.name} is {field.low:.10g} to {field.high:.10g}.", field=field.name
        )
    return value


def _finite(field: PlanField, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InvalidValue(f"{field.name} is a number, with a dot for decimals.", field=field.name)
    return value


def _days(field: PlanField, text: str) -> tuple[float, ...]:
    try:
        days = sorted(_finite(field, part) for part in text.split(","))
    except InvalidValue:
        days = []
    if not 1 <= len(days) <= MOST_LOOKS or days[0] <= 0 or days[-1] > LONGEST_DAY:
        raise InvalidValue(
            f"days is written like 14, 28, 56: up to {MOST_LOOKS} days of 1 to {LONGEST_DAY:.0f}.",
            field=field.name,
        )
    return tuple(days)
