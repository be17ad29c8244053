"""A pile's recipe: moisture and carbon-to-nitrogen ratio of a mix, by mass balance.

Symbols, per ingredient i: wet mass q (kg), moisture m (fraction, wet basis), carbon c and
nitrogen n (fractions of dry mass). With dry mass d = q·(1 − m):

    moisture of the mix = (Σ q·m + water) / (Σ q + water)
    C:N of the mix      = Σ d·c / Σ d·n

A ratio is never an average of ratios: an ingredient rich in nitrogen weighs more than a poor one.
Both goals are linear in the amount of one ingredient, so each has at most one answer.

References: balance form as in the compost-mixture pages of Cornell's composting programme; check
values CV-032 to CV-047 in the tests name their sources one by one.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

# One litre of water added is taken as one kilogram.
WATER_KG_PER_L = 1.0


class GoalCannotBeMet(ValueError):
    """No amount of the chosen ingredient moves the mix to the goal."""


@dataclass(frozen=True, slots=True)
class Ingredient:
    """One line: `wet_mass_kg` as is; `moisture` wet basis; `carbon`, `nitrogen` of dry mass.

    Shares are fractions; None means not measured.
    """

    wet_mass_kg: float
    moisture: float | None = None
    carbon: float | None = None
    nitrogen: float | None = None


@dataclass(frozen=True, slots=True)
class Mix:
    """A mix of ingredients and water. What the lines do not tell is None."""

    wet_mass_kg: float
    dry_mass_kg: float | None
    moisture: float | None
    carbon_kg: float | None
    nitrogen_kg: float | None
    cn_ratio: float | None


def mix(ingredients: Sequence[Ingredient], water_added_l: float = 0.0) -> Mix:
    """Mass balance of a recipe. A value missing in any line leaves the sums that need it None."""
    if not ingredients:
        raise ValueError("A mix needs at least one ingredient.")
    for line in ingredients:
        _check(line)
    _check_amount(water_added_l, "Added water")
    wet = sum(line.wet_mass_kg for line in ingredients) + water_added_l * WATER_KG_PER_L
    dry = _total([_dry_mass(line) for line in ingredients])
    carbon = _total([_part(line, line.carbon) for line in ingredients])
    nitrogen = _total([_part(line, line.nitrogen) for line in ingredients])
    return Mix(
        wet_mass_kg=wet,
        dry_mass_kg=dry,
        moisture=None if dry is None or wet == 0 else 1.0 - dry / wet,
        carbon_kg=carbon,
        nitrogen_kg=nitrogen,
        cn_ratio=None if carbon is None or not nitrogen else carbon / nitrogen,
    )


def mass_for_moisture(
    base: Sequence[Ingredient], added: Ingredient, goal: float, water_added_l: float = 0.0
) -> float:
    """Wet mass (kg) of `added` that brings the mix to moisture `goal` (fraction).

    Σ q·(m − goal) + x·(m_added − goal) = 0; the mass written in `added` is ignored.
    Raises GoalCannotBeMet when the amount would be negative or without bound.
    """
    if not 0 < goal < 1:
        raise ValueError("A moisture goal is a fraction between 0 and 1.")
    now = mix(base, water_added_l)
    _check(added)
    if now.moisture is None or added.moisture is None:
        raise ValueError("Every ingredient needs its moisture.")
    return _solve(
        distance=now.wet_mass_kg * (goal - now.moisture),
        per_kg=added.moisture - goal,
        what="moisture",
    )


def water_for_moisture(
    base: Sequence[Ingredient], goal: float, water_added_l: float = 0.0
) -> float:
    """Litres of water, beyond those already added, that bring the mix to moisture `goal`."""
    water = Ingredient(0.0, moisture=1.0)
    return mass_for_moisture(base, water, goal, water_added_l) / WATER_KG_PER_L


def mass_for_cn(base: Sequence[Ingredient], added: Ingredient, goal: float) -> float:
    """Wet mass (kg) of `added` that brings the mix to a C:N ratio of `goal`.

    Σ d·(c − goal·n) + x·(1 − m_added)·(c_added − goal·n_added) = 0.
    Raises GoalCannotBeMet when the amount would be negative or without bound.
    """
    if not (math.isfinite(goal) and goal > 0):
        raise ValueError("A C:N goal is a positive number.")
    now = mix(base)
    _check(added)
    if now.carbon_kg is None or now.nitrogen_kg is None:
        raise ValueError("Every ingredient needs its moisture, carbon and nitrogen.")
    if added.moisture is None or added.carbon is None or added.nitrogen is None:
        raise ValueError("The added ingredient needs its moisture, carbon and nitrogen.")
    return _solve(
        distance=goal * now.nitrogen_kg - now.carbon_kg,
        per_kg=(1.0 - added.moisture) * (added.carbon - goal * added.nitrogen),
        what="C:N",
    )


def carbon_from_cn(nitrogen: float, cn_ratio: float) -> float:
    """Carbon, of dry mass, from tabulated nitrogen and C:N: c = n · (C:N)."""
    return nitrogen * cn_ratio


def dry_matter_loss(ash_start: float, ash_end: float) -> float:
    """Fraction of the pile's dry matter lost, taking its ash as conserved: 1 − a₁/a₂."""
    _check_ash(ash_start, ash_end)
    return 1.0 - ash_start / ash_end


def organic_matter_loss(ash_start: float, ash_end: float) -> float:
    """Fraction of organic matter lost, taking ash as conserved: 1 − a₁(1 − a₂)/(a₂(1 − a₁))."""
    _check_ash(ash_start, ash_end)
    return 1.0 - ash_start * (1.0 - ash_end) / (ash_end * (1.0 - ash_start))


def _solve(*, distance: float, per_kg: float, what: str) -> float:
    """Amount x with x·per_kg = distance."""
    if distance == 0:
        return 0.0
    if per_kg == 0 or distance / per_kg < 0:
        raise GoalCannotBeMet(
            f"Adding this ingredient moves the {what} away from the goal, or not at all."
        )
    return distance / per_kg


def _check(line: Ingredient) -> None:
    _check_amount(line.wet_mass_kg, "A wet mass")
    # Above 100 % is the mark of a dry-basis moisture: water over dry mass.
    if line.moisture is not None and not 0 <= line.moisture <= 1:
        raise ValueError("Moisture is a fraction of wet mass between 0 and 1, never dry basis.")
    for share in (line.carbon, line.nitrogen):
        if share is not None and not 0 <= share <= 1:
            raise ValueError("Carbon and nitrogen are fractions of dry mass between 0 and 1.")


def _check_amount(amount: float, what: str) -> None:
    if not (math.isfinite(amount) and amount >= 0):
        raise ValueError(f"{what} must be a number, zero or more.")


def _check_ash(start: float, end: float) -> None:
    if not (0 < start < 1 and 0 < end < 1):
        raise ValueError("Ash contents are fractions of dry mass between 0 and 1.")


def _dry_mass(line: Ingredient) -> float | None:
    return None if line.moisture is None else line.wet_mass_kg * (1.0 - line.moisture)


def _part(line: Ingredient, share: float | None) -> float | None:
    dry = _dry_mass(line)
    return None if dry is None or share is None else dry * share


def _total(parts: list[float | None]) -> float | None:
    known = [part for part in parts if part is not None]
    return sum(known) if len(known) == len(parts) else None
