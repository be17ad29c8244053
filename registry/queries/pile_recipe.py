"""The start mix of a pile from its ingredient lines, and how much more would meet a goal."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from registry.models import Feedstock, Pile
from registry.permissions import Actor, visible_to
from registry.science.recipe import (
    GoalCannotBeMet,
    Ingredient,
    Mix,
    mass_for_cn,
    mass_for_moisture,
    mix,
)

WATER = Ingredient(0.0, moisture=1.0, carbon=0.0, nitrogen=0.0)
# What a line must tell before a sum over lines is known.
NEEDED = ("moisture_pct", "carbon_pct", "nitrogen_pct")
OUTCOMES = ("can_be_met", "met_already", "cannot_be_met", "recipe_incomplete")


@dataclass(frozen=True, slots=True)
class Missing:
    """A value that a line does not tell."""

    ingredient: str
    field: str


@dataclass(frozen=True, slots=True)
class Recipe:
    """Ingredient lines in the order of their names, the water added at the start, and the mix.

    `mix` is None without any line.
    """

    lines: tuple[Feedstock, ...]
    water_added_l: float
    mix: Mix | None
    missing: tuple[Missing, ...]

    @property
    def ingredients(self) -> list[Ingredient]:
        return [ingredient_of(line) for line in self.lines]


@dataclass(frozen=True, slots=True)
class Addition:
    """What meets a goal: the amount (kg, or litres of water) and the mix then, or why none does.

    `outcome` is one of OUTCOMES.
    """

    outcome: str
    amount: float | None = None
    mix: Mix | None = None
    message: str = ""


def recipe_of(actor: Actor, pile: Pile) -> Recipe:
    """The recipe of a pile, from the lines that the actor may see. One query."""
    lines = tuple(visible_to(actor, Feedstock).filter(pile=pile).order_by("ingredient"))
    water = pile.water_added_l or 0.0
    ingredients = [ingredient_of(line) for line in lines]
    return Recipe(
        lines=lines,
        water_added_l=water,
        mix=mix(ingredients, water) if ingredients else None,
        missing=tuple(
            Missing(line.ingredient, field)
            for line in lines
            for field in NEEDED
            if getattr(line, field) is None
        ),
    )


def start_mixes(pile_ids: Sequence[int]) -> dict[int, Mix]:
    """Pile id → its start mix, for the piles with ingredient lines. One query."""
    lines: dict[int, list[Feedstock]] = {}
    rows = Feedstock.objects.filter(pile__in=pile_ids).select_related("pile")
    for line in rows.order_by("pile", "ingredient"):
        lines.setdefault(line.pile_id, []).append(line)
    return {
        pile: mix([ingredient_of(line) for line in found], found[0].pile.water_added_l or 0.0)
        for pile, found in lines.items()
    }


def ingredient_of(line: Feedstock) -> Ingredient:
    """A stored line, its percentages as fractions."""
    return Ingredient(
        line.wet_mass_kg,
        _fraction(line.moisture_pct),
        _fraction(line.carbon_pct),
        _fraction(line.nitrogen_pct),
    )


def add_for_moisture(recipe: Recipe, added: Ingredient, goal: float) -> Addition:
    """How much of `added` brings the start mix to moisture `goal` (fraction, wet basis)."""
    if added.moisture is None or recipe.mix is None or recipe.mix.moisture is None:
        return _INCOMPLETE
    return _addition(
        recipe,
        added,
        lambda: mass_for_moisture(recipe.ingredients, added, goal, recipe.water_added_l),
    )


def add_for_cn(recipe: Recipe, added: Ingredient, goal: float) -> Addition:
    """How much of `added` brings the start mix to a C:N ratio of `goal`."""
    known = recipe.mix is not None and None not in (recipe.mix.carbon_kg, recipe.mix.nitrogen_kg)
    if not known or None in (added.moisture, added.carbon, added.nitrogen):
        return _INCOMPLETE
    return _addition(recipe, added, lambda: mass_for_cn(recipe.ingredients, added, goal))


def _addition(recipe: Recipe, added: Ingredient, solve: Callable[[], float]) -> Addition:
    try:
        amount = solve()
    except GoalCannotBeMet as problem:
        return Addition("cannot_be_met", message=str(problem))
    more = Ingredient(amount, added.moisture, added.carbon, added.nitrogen)
    then = mix([*recipe.ingredients, more], recipe.water_added_l)
    if amount == 0:
        return Addition("met_already", 0.0, then, "The start mix is at the goal.")
    return Addition("can_be_met", amount, then, "With this amount the start mix is at the goal.")


def _fraction(pct: float | None) -> float | None:
    return None if pct is None else pct / 100.0


_INCOMPLETE = Addition(
    "recipe_incomplete", message="Some lines, or what is added, do not tell what this goal needs."
)
