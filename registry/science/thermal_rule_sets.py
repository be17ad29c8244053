"""Published time and temperature rules: name, version, jurisdiction, numbers, and their source.

Add a rule here; `thermal_rules` evaluates and explains it. A rule whose numbers are from memory
says so wherever it is shown.
"""

import math
from dataclasses import dataclass

from registry.science.types import ScienceError

TURNED_KINDS = ("windrow",)


@dataclass(frozen=True, slots=True)
class TimeAtHeat:
    """`days` at or above `low_c` (and at or below `high_c`), in one run or added up."""

    low_c: float
    days: float
    consecutive: bool
    high_c: float = math.inf


@dataclass(frozen=True, slots=True)
class RuleSet:
    """One rule. `any_of`: one time at heat is enough. `kinds`: the piles it was written for."""

    code: str
    name: str
    version: str
    jurisdiction: str
    kinds: tuple[str, ...]
    any_of: tuple[TimeAtHeat, ...]
    min_turnings: int = 0
    cn_range: tuple[float, float] | None = None
    source: str = ""
    source_status: str = ""


_HELD = ("in_vessel", "heap", "bin", "tumbler")
_READ = "numbers read in the public text"
_MEMORY = "numbers from memory, not verified: check the text before relying on them"
_US_SLUDGE = "40 CFR Part 257 Appendix II, section B; same wording family in Part 503 Appendix B"
_US_ORGANIC = "7 CFR 205.203(c)(2)"
_ORGANIC_LOW_C, _ORGANIC_HIGH_C = 55.0, (170.0 - 32.0) * 5.0 / 9.0

RULE_SETS = (
    RuleSet(
        "US-PFRP-STATIC",
        "Pathogen reduction, in-vessel or static pile",
        "40 CFR 257 App. II",
        "US",
        _HELD,
        (TimeAtHeat(55.0, 3.0, consecutive=True),),
        source=_US_SLUDGE,
        source_status=_READ,
    ),
    RuleSet(
        "US-PFRP-WINDROW",
        "Pathogen reduction, windrow",
        "40 CFR 257 App. II",
        "US",
        TURNED_KINDS,
        (TimeAtHeat(55.0, 15.0, consecutive=False),),
        min_turnings=5,
        source=_US_SLUDGE,
        source_status=_READ,
    ),
    RuleSet(
        "US-ORGANIC-STATIC",
        "Compost for organic farms, in-vessel or static pile",
        "7 CFR 205.203, 2011 edition",
        "US",
        _HELD,
        (TimeAtHeat(_ORGANIC_LOW_C, 3.0, consecutive=True, high_c=_ORGANIC_HIGH_C),),
        cn_range=(25.0, 40.0),
        source=_US_ORGANIC,
        source_status=_READ,
    ),
    RuleSet(
        "US-ORGANIC-WINDROW",
        "Compost for organic farms, windrow",
        "7 CFR 205.203, 2011 edition",
        "US",
        TURNED_KINDS,
        (TimeAtHeat(_ORGANIC_LOW_C, 15.0, consecutive=False, high_c=_ORGANIC_HIGH_C),),
        min_turnings=5,
        cn_range=(25.0, 40.0),
        source=_US_ORGANIC,
        source_status=_READ,
    ),
    RuleSet(
        "EU-FERTILISER-COMPOST",
        "Compost as a component of fertilising products",
        "Regulation (EU) 2019/1009, Annex II, CMC 3",
        "EU",
        (*TURNED_KINDS, *_HELD),
        (
            TimeAtHeat(70.0, 3.0, consecutive=True),
            TimeAtHeat(65.0, 5.0, consecutive=True),
            TimeAtHeat(60.0, 7.0, consecutive=True),
            TimeAtHeat(55.0, 14.0, consecutive=True),
        ),
        source="Regulation (EU) 2019/1009, Annex II, Part II, CMC 3",
        source_status=_MEMORY,
    ),
)


# (lowest, highest) °C of every time at heat that a rule asks for, and of the open one it reports.
BANDS = tuple(
    dict.fromkeys(
        band
        for rule in RULE_SETS
        for band in (
            *((need.low_c, need.high_c) for need in rule.any_of),
            (rule.any_of[-1].low_c, math.inf),
        )
    )
)


def rule_set(code: str) -> RuleSet:
    """The rule set of this code."""
    for rule in RULE_SETS:
        if rule.code == code:
            return rule
    raise ScienceError(f"No thermal rule is called {code}.")
