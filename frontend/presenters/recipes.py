"""A pile's start mix against the ranges that usually compost well."""

from dataclasses import dataclass

from django.utils.translation import gettext as _

from frontend.presenters import numbers
from registry.models import Feedstock
from registry.queries.pile_recipe import Recipe
from registry.science.recipe import Mix
from registry.science.start_ranges import (
    CN_RATIO,
    MOISTURE,
    StartRange,
    carbon_is_suspect,
    moisture_band,
    standing,
)

BANDS = {
    "nearly_stopped": "Below 30 % microbes all but stop: water it.",
    "slow": "Between 30 and 40 % composting is slow: water it.",
    "good": "Microbes have water enough and air enough.",
    "too_wet_risk": "Above 60 % air runs short: add dry, coarse material and turn.",
}


@dataclass(frozen=True, slots=True)
class IngredientRow:
    name: str
    wet_mass: str
    moisture: str
    carbon: str
    nitrogen: str
    density: str
    question: str


@dataclass(frozen=True, slots=True)
class RangeRow:
    """One start condition: the value, where it should lie, and where it does."""

    name: str
    value: str
    ideal: str
    acceptable: str
    sentence: str


@dataclass(frozen=True, slots=True)
class RecipePart:
    ingredients: tuple[IngredientRow, ...]
    wet_mass: str
    dry_mass: str
    water: str
    ranges: tuple[RangeRow, ...]
    missing: str


def recipe_part(recipe: Recipe) -> RecipePart | None:
    """None without any ingredient."""
    mix = recipe.mix
    if mix is None:
        return None
    return RecipePart(
        ingredients=tuple(_ingredient(line) for line in sorted(recipe.lines, key=_heaviest)),
        wet_mass=_kg(mix.wet_mass_kg),
        dry_mass=_kg(mix.dry_mass_kg),
        water=f"{recipe.water_added_l:g} L",
        ranges=(_cn_row(mix), _moisture_row(mix)),
        missing=_missing(mix),
    )


def _heaviest(line: Feedstock) -> float:
    return -line.wet_mass_kg


def _ingredient(line: Feedstock) -> IngredientRow:
    suspect = line.carbon_pct is not None and carbon_is_suspect(line.carbon_pct / 100)
    return IngredientRow(
        name=line.ingredient,
        wet_mass=_kg(line.wet_mass_kg),
        moisture=_percent(line.moisture_pct),
        carbon=_percent(line.carbon_pct),
        nitrogen=_percent(line.nitrogen_pct),
        density=numbers.NONE
        if line.bulk_density_kg_m3 is None
        else f"{line.bulk_density_kg_m3:g} kg/m³",
        question=_("Carbon above 58 % of dry mass is rare: check it.") if suspect else "",
    )


def _cn_row(mix: Mix) -> RangeRow:
    found = standing(mix.cn_ratio, CN_RATIO)
    value = numbers.NONE if mix.cn_ratio is None else f"{mix.cn_ratio:.1f}"
    return RangeRow(
        _("C:N (carbon to nitrogen, by mass)"),
        value,
        _span(CN_RATIO.ideal),
        _span(CN_RATIO.acceptable),
        found.sentence,
    )


def _moisture_row(mix: Mix) -> RangeRow:
    found = standing(mix.moisture, MOISTURE)
    sentence = found.sentence
    # Rounding in the balance may pass the ends by a hair.
    if mix.moisture is not None:
        sentence += " " + BANDS[moisture_band(min(1.0, max(0.0, mix.moisture)))]
    return RangeRow(
        _("Moisture (of wet mass)"),
        numbers.percent(mix.moisture),
        _percent_span(MOISTURE),
        _span(tuple(100 * end for end in MOISTURE.acceptable), " %"),
        sentence,
    )


def _percent_span(of: StartRange) -> str:
    return _span(tuple(100 * end for end in of.ideal), " %")


def _span(ends: tuple[float, ...], unit: str = "") -> str:
    return _("%(low)s to %(high)s") % {"low": f"{ends[0]:g}", "high": f"{ends[1]:g}{unit}"}


def _missing(mix: Mix) -> str:
    if mix.moisture is None:
        return _("An ingredient has no moisture, so the mix has none either.")
    if mix.cn_ratio is None:
        return _("An ingredient has no carbon or nitrogen, so the mix has no C:N.")
    return ""


def _kg(value: float | None) -> str:
    return numbers.NONE if value is None else f"{numbers.significant(value, 3)} kg"


def _percent(value: float | None) -> str:
    return numbers.NONE if value is None else f"{value:g} %"
