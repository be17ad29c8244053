"""Oven and furnace: temperatures that give a dry mass and an ash that can be compared.

Source: AS 5810:2010, clauses 3.10 and 3.11, read in a scan: dry solids at 105–110 °C, volatile
solids by ignition at 550 °C (the ± 50 °C is inferred from the scan). Compost laboratories elsewhere
dry at 65–75 °C, so the temperature is kept with every weighing.
"""

DRYING_C = (105.0, 110.0)
# For an item that softens below the usual temperature.
GENTLE_DRYING_C = 40.0
IGNITION_C = 550.0
IGNITION_TOLERANCE_C = 50.0


def drying_verdict(drying_c: float | None, limit_c: float | None = None) -> str:
    """`usual`, `gentle`, `too_hot` (above what the item tolerates), `other` or `unknown`."""
    if drying_c is None:
        return "unknown"
    if limit_c is not None and drying_c > limit_c:
        return "too_hot"
    if DRYING_C[0] <= drying_c <= DRYING_C[1]:
        return "usual"
    # Whoever knows the limit and stays below it has chosen gently on purpose.
    return "gentle" if drying_c == GENTLE_DRYING_C or limit_c is not None else "other"


def ignition_is_usual(furnace_c: float) -> bool:
    return abs(furnace_c - IGNITION_C) <= IGNITION_TOLERANCE_C
