"""What the words in a release stand for: read by the Table Schema, the README and the methods."""

from collections.abc import Mapping

from registry.science.controls import Gate

MISSING_REASONS = {
    "bag_lost": "the bag was not found: missing, never zero",
    "bag_damaged": "the bag was torn or open: missing, never zero",
    "not_weighed": "the bag was looked at, or only scored: no residue was weighed",
}
GATE_MEANINGS: dict[str, str] = {
    Gate.PASSED: "within the limits",
    Gate.HANDLING_LOSS: "less than 97 % of it remained: pieces are lost in handling or cleaning",
    Gate.CONTAMINATION: "more than 103 % of it remained: compost sticks to what is weighed",
    Gate.INACTIVE: "less than 70 % of it was lost: the pile was not working, and 'did not "
    "disintegrate' is inconclusive there",
    Gate.NOT_CHECKED: "no such control was weighed in time",
}
OUTCOME_MEANINGS = {
    "recovered": "residue weighed or scored",
    "nothing_left": "bag intact and empty: a true zero",
    "bag_lost": MISSING_REASONS["bag_lost"],
    "bag_damaged": MISSING_REASONS["bag_damaged"],
    "looked_at": "scored in place, not weighed",
}
# What the words of a column stand for, where they say more than their names.
WORD_MEANINGS: dict[str, Mapping[str, str]] = {
    "outcome": OUTCOME_MEANINGS,
    "missing_reason": MISSING_REASONS,
    "negative_control": GATE_MEANINGS,
    "positive_control": GATE_MEANINGS,
}
