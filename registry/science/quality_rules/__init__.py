"""Automatic quality rules: arrays in, findings out. Nothing is changed or dropped by a rule.

Every limit is common practice without a source unless said otherwise, and stands in the finding.
A finding is a question to a person; only a decision with a reason excludes anything.
"""

from registry.science.quality_rules.bags import BAG_CODES, BagTable, bag_findings
from registry.science.quality_rules.findings import MOST_PER_PILE, RULE_VERSION, Finding
from registry.science.quality_rules.loggers import (
    LOG_CODES,
    LOGGER_CODES,
    log_findings,
    logger_findings,
)
from registry.science.quality_rules.looks import LOOK_CODES, LookTable, look_findings
from registry.science.quality_rules.piles import PILE_CODES, pile_findings
from registry.science.quality_rules.recipes import RECIPE_CODES, recipe_findings

# Every code a flag of ours may have; permanent.
CODES = {
    **LOOK_CODES,
    **BAG_CODES,
    **PILE_CODES,
    **LOGGER_CODES,
    **LOG_CODES,
    **RECIPE_CODES,
}

__all__ = [
    "BAG_CODES",
    "CODES",
    "LOGGER_CODES",
    "LOG_CODES",
    "LOOK_CODES",
    "MOST_PER_PILE",
    "PILE_CODES",
    "RECIPE_CODES",
    "RULE_VERSION",
    "BagTable",
    "Finding",
    "LookTable",
    "bag_findings",
    "log_findings",
    "logger_findings",
    "look_findings",
    "pile_findings",
    "recipe_findings",
]
