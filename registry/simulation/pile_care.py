"""How simulated piles are built and turned: ingredient lines by mass balance, and turning times."""

from dataclasses import dataclass

import numpy as np

from registry.science.recipe import Ingredient, mass_for_cn, water_for_moisture
from registry.simulation.plans import Scenario
from registry.simulation.truth import IntArray

# Name, moisture (wet basis), carbon and nitrogen (of dry mass), bulk density kg/m3: rounded values
# of common feedstock tables (common practice, no source).
GREEN = (
    ("grass clippings", 0.78, 0.45, 0.030, 300.0),
    ("vegetable trimmings", 0.84, 0.42, 0.027, 450.0),
    ("cattle manure with litter", 0.72, 0.42, 0.021, 700.0),
    ("spent crop plants", 0.76, 0.43, 0.024, 220.0),
)
BROWN = (
    ("chopped straw", 0.12, 0.46, 0.006, 80.0),
    ("dry leaves", 0.32, 0.47, 0.009, 110.0),
    ("wood chip", 0.35, 0.49, 0.004, 250.0),
)
# Length, width, height (m) by kind of pile.
SIZES = {
    "windrow": (14.0, 2.8, 1.5),
    "heap": (2.6, 2.4, 1.4),
    "bin": (1.1, 1.0, 1.0),
    "tumbler": (1.0, 0.8, 0.8),
    "in_vessel": (4.0, 2.0, 2.0),
}
# A windrow has a rounded cross-section; the others are boxes.
FILLING = {"windrow": 0.66, "heap": 0.6, "bin": 1.0, "tumbler": 0.7, "in_vessel": 0.85}
TURNING_INTERVAL_D = 14
# Windrows are turned twice a week while they are hottest.
EARLY_WINDROW_TURNINGS_D = (4, 7, 11, 18, 21)
TURNED_AT_H = 15


@dataclass(frozen=True, slots=True)
class Recipe:
    """Ingredient lines (name, line, bulk density), water, and the size of the pile they make."""

    lines: tuple[tuple[str, Ingredient, float], ...]
    water_added_l: float
    length_m: float
    width_m: float
    height_m: float
    volume_m3: float


def draw_recipe(kind: str, rng: np.random.Generator) -> Recipe:
    """A start mix with a C:N of 26–34 and a moisture of 52–60 %, in amounts that fill the pile."""
    length, width, height = np.array(SIZES[kind]) * rng.uniform(0.9, 1.1, 3)
    volume = length * width * height * FILLING[kind]
    green = [GREEN[i] for i in rng.choice(len(GREEN), 2, replace=False)]
    brown = BROWN[int(rng.integers(len(BROWN)))]
    base = [_line(item, 100.0 * rng.uniform(0.7, 1.3)) for item in green]
    added = _line(brown, 0.0)
    need = mass_for_cn(base, added, goal=float(rng.uniform(26, 34)))
    lines = [*base, Ingredient(need, added.moisture, added.carbon, added.nitrogen)]
    dry_enough = rng.uniform(0.52, 0.60)
    density = (green[0][4], green[1][4], brown[4])
    scale = volume / sum(line.wet_mass_kg / rho for line, rho in zip(lines, density, strict=True))
    lines = [_scaled(line, scale) for line in lines]
    wet_now = sum(line.wet_mass_kg * (line.moisture or 0) for line in lines) / sum(
        line.wet_mass_kg for line in lines
    )
    water = water_for_moisture(lines, float(dry_enough)) if wet_now < dry_enough else 0.0
    names = (green[0][0], green[1][0], brown[0])
    return Recipe(
        lines=tuple(zip(names, lines, density, strict=True)),
        water_added_l=round(water, 0),
        length_m=round(float(length), 2),
        width_m=round(float(width), 2),
        height_m=round(float(height), 2),
        volume_m3=round(float(volume), 2),
    )


def turning_hours(scenario: Scenario, kind: str) -> IntArray:
    """Hours since building at which a pile is turned, on retrieval days after the bags are out."""
    last = max(scenario.schedule_days)
    days = set(range(TURNING_INTERVAL_D, last, TURNING_INTERVAL_D))
    if kind == "windrow":
        days |= {day for day in EARLY_WINDROW_TURNINGS_D if day < last}
    return np.array(sorted(days), dtype=np.int64) * 24 + TURNED_AT_H


def _line(item: tuple[str, float, float, float, float], wet_mass_kg: float) -> Ingredient:
    _, moisture, carbon, nitrogen, _ = item
    return Ingredient(wet_mass_kg, moisture, carbon, nitrogen)


def _scaled(line: Ingredient, scale: float) -> Ingredient:
    return Ingredient(round(line.wet_mass_kg * scale, 1), line.moisture, line.carbon, line.nitrogen)
