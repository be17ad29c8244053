"""Is a start mix in the range that composts well? Ranges, bands and plain words.

Ranges follow the table of start conditions in Cooperband's "The Art and Science of Composting"
(read in a secondary worksheet, CV-045); moisture bands follow Cornell's composting programme
(CV-047). They describe what usually works; they are no pass or fail.
"""

from dataclasses import dataclass

# A tabulated carbon above this is a rounded nitrogen times a rounded C:N, or a slip: ask, keep.
CARBON_ASK_ABOVE = 0.58
LB_PER_CUBIC_YARD = 0.593276  # kg/m3
LB_PER_US_GALLON = 119.826427  # kg/m3


@dataclass(frozen=True, slots=True)
class StartRange:
    """Acceptable and ideal range of one start condition, both ends included."""

    name: str
    unit: str
    acceptable: tuple[float, float]
    ideal: tuple[float, float]


CN_RATIO = StartRange("C:N", "1", (20.0, 40.0), (25.0, 35.0))
MOISTURE = StartRange("moisture", "fraction, wet basis", (0.40, 0.65), (0.45, 0.60))
TEMPERATURE_C = StartRange("core temperature", "Cel", (43.0, 66.0), (54.0, 60.0))
PH = StartRange("pH", "[pH]", (5.5, 9.0), (5.5, 9.0))
OXYGEN_MIN = 0.05  # fraction of pore air
BULK_DENSITY_MAX_KG_M3 = 1000 * LB_PER_CUBIC_YARD


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a value stands: ideal, acceptable, low, high or unknown; `side` says low or high."""

    name: str
    value: float | None
    verdict: str
    side: str
    sentence: str


def standing(value: float | None, of: StartRange) -> Standing:
    """Compare a value with a range; None is unknown, never out of range."""
    if value is None:
        return Standing(
            of.name, None, "unknown", "", f"The {of.name} of the start mix is not known."
        )
    side = "low" if value < of.ideal[0] else "high" if value > of.ideal[1] else ""
    if not side:
        verdict, words = "ideal", "is in the ideal range"
    elif of.acceptable[0] <= value <= of.acceptable[1]:
        verdict, words = "acceptable", f"is acceptable, on the {side} side"
    else:
        verdict, words = side, f"is too {side}"
    return Standing(of.name, value, verdict, side, f"The {of.name} of the start mix {words}.")


def moisture_band(moisture: float) -> str:
    """`nearly_stopped`, `slow`, `good` or `too_wet_risk`, by moisture (fraction, wet basis)."""
    if not 0 <= moisture <= 1:
        raise ValueError("Moisture is a fraction between 0 and 1, wet basis.")
    if moisture < 0.30:
        return "nearly_stopped"
    if moisture < 0.40:
        return "slow"
    return "good" if moisture <= 0.60 else "too_wet_risk"


def carbon_is_suspect(carbon: float) -> bool:
    """Whether a carbon content (fraction of dry mass) is worth asking about."""
    return carbon > CARBON_ASK_ABOVE
