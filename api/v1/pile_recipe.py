"""The start mix of one pile by mass balance, and what to add to reach a moisture or a C:N goal."""

from typing import Any

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.v1.authentication import actor_of
from api.v1.filters import Filter, checked, parameters
from api.v1.listing import OneRow
from registry.errors import InvalidValue
from registry.models import Pile
from registry.queries.pile_recipe import (
    OUTCOMES,
    WATER,
    Recipe,
    add_for_cn,
    add_for_moisture,
    ingredient_of,
    recipe_of,
)
from registry.science.recipe import Ingredient, Mix, mix
from registry.science.start_ranges import CN_RATIO, MOISTURE, standing

ASKED = {
    "moisture_goal_pct": Filter(
        "", "number", meaning="moisture to reach, wet basis, %", low=2, high=95
    ),
    "cn_goal": Filter("", "number", meaning="C:N ratio to reach", low=1, high=500),
    "ingredient": Filter(
        "", meaning="line of the recipe to add more of; water when nothing else is named"
    ),
    "added_moisture_pct": Filter(
        "", "number", meaning="of another ingredient to add: moisture, wet basis, %", high=100
    ),
    "added_carbon_pct": Filter("", "number", meaning="its carbon, % of dry mass", high=100),
    "added_nitrogen_pct": Filter("", "number", meaning="its nitrogen, % of dry mass", high=100),
}
ADDED = ("added_moisture_pct", "added_carbon_pct", "added_nitrogen_pct")


class MixOut(serializers.Serializer):
    wet_mass_kg = serializers.FloatField()
    dry_mass_kg = serializers.FloatField(allow_null=True)
    moisture_pct = serializers.FloatField(allow_null=True, help_text="wet basis")
    carbon_kg = serializers.FloatField(allow_null=True)
    nitrogen_kg = serializers.FloatField(allow_null=True)
    cn_ratio = serializers.FloatField(allow_null=True)


class LineOut(serializers.Serializer):
    ingredient = serializers.CharField()
    wet_mass_kg = serializers.FloatField()
    moisture_pct = serializers.FloatField(allow_null=True)
    carbon_pct = serializers.FloatField(allow_null=True)
    nitrogen_pct = serializers.FloatField(allow_null=True)
    dry_mass_kg = serializers.FloatField(allow_null=True)
    cn_ratio = serializers.FloatField(allow_null=True, help_text="of this ingredient alone")


class MissingOut(serializers.Serializer):
    ingredient = serializers.CharField()
    field = serializers.CharField(help_text="without it a sum over the lines is null")


class StandingOut(serializers.Serializer):
    name = serializers.CharField()
    value = serializers.FloatField(allow_null=True)
    unit = serializers.CharField()
    acceptable = serializers.ListField(child=serializers.FloatField(), help_text="both ends")
    ideal = serializers.ListField(child=serializers.FloatField(), help_text="both ends")
    verdict = serializers.ChoiceField(choices=["ideal", "acceptable", "low", "high", "unknown"])
    message = serializers.CharField(help_text="what usually works; no pass or fail")


class GoalOut(serializers.Serializer):
    goal = serializers.ChoiceField(choices=["moisture_pct", "cn_ratio"])
    value = serializers.FloatField()
    add = serializers.CharField(help_text="what is added")
    outcome = serializers.ChoiceField(choices=OUTCOMES)
    amount = serializers.FloatField(allow_null=True, help_text="wet mass, or litres of water")
    unit = serializers.ChoiceField(choices=["kg", "l"])
    mix = MixOut(allow_null=True, help_text="the start mix with that amount in it")
    message = serializers.CharField()


class RecipeOut(serializers.Serializer):
    pile_id = serializers.IntegerField()
    site = serializers.CharField()
    pile = serializers.CharField()
    lines = LineOut(many=True)
    water_added_l = serializers.FloatField(help_text="at the start; a litre counts as a kilogram")
    mix = MixOut(allow_null=True, help_text="null without any line")
    standing = StandingOut(many=True, help_text="the start mix beside usual ranges")
    missing = MissingOut(many=True)
    goals = GoalOut(many=True, help_text="one per goal asked for")


@extend_schema(
    tags=["piles"],
    summary="Recipe of one pile: moisture and C:N of the start mix, and what a goal needs",
    description=(
        "A ratio of the mix is the sum over the lines divided by the sum over the lines, never an "
        "average of ratios. Ask for `moisture_goal_pct`, `cn_goal` or both; each is answered on "
        "its own, as if the other were not asked."
    ),
    parameters=[*parameters(ASKED), OpenApiParameter("format", str, exclude=True)],
    responses={200: RecipeOut},
)
class PileRecipe(OneRow):
    model = Pile
    related = ("site",)
    serializer_class = RecipeOut

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        pile = self.get_object()
        asked = checked(request, ASKED)
        recipe = recipe_of(actor_of(request), pile)
        said = {
            "pile_id": pile.pk,
            "site": pile.site.code,
            "pile": pile.code,
            "lines": [_line(recipe, n) for n in range(len(recipe.lines))],
            "water_added_l": recipe.water_added_l,
            "mix": _mix(recipe.mix),
            "standing": _standings(recipe.mix),
            "missing": recipe.missing,
            "goals": _goals(recipe, asked),
        }
        return Response(RecipeOut(said).data)


def _line(recipe: Recipe, n: int) -> dict[str, Any]:
    line = recipe.lines[n]
    alone = mix([recipe.ingredients[n]])
    names = ("ingredient", "wet_mass_kg", "moisture_pct", "carbon_pct", "nitrogen_pct")
    return {
        **{name: getattr(line, name) for name in names},
        "dry_mass_kg": alone.dry_mass_kg,
        "cn_ratio": alone.cn_ratio,
    }


def _mix(found: Mix | None) -> dict[str, Any] | None:
    if found is None:
        return None
    moisture = None if found.moisture is None else 100.0 * found.moisture
    return {
        "wet_mass_kg": found.wet_mass_kg,
        "dry_mass_kg": found.dry_mass_kg,
        "moisture_pct": moisture,
        "carbon_kg": found.carbon_kg,
        "nitrogen_kg": found.nitrogen_kg,
        "cn_ratio": found.cn_ratio,
    }


def _standings(found: Mix | None) -> list[dict[str, Any]]:
    moisture = None if found is None else found.moisture
    ratio = None if found is None else found.cn_ratio
    told = ((MOISTURE, moisture, 100.0, "%"), (CN_RATIO, ratio, 1.0, "1"))
    return [
        {
            "name": of.name,
            "value": None if value is None else value * scale,
            "unit": unit,
            "acceptable": [end * scale for end in of.acceptable],
            "ideal": [end * scale for end in of.ideal],
            "verdict": (stands := standing(value, of)).verdict,
            "message": stands.sentence,
        }
        for of, value, scale, unit in told
    ]


def _goals(recipe: Recipe, asked: dict[str, Any]) -> list[dict[str, Any]]:
    name, unit, added = _added(recipe, asked)
    goals = []
    if (moisture := asked.get("moisture_goal_pct")) is not None:
        found = add_for_moisture(recipe, added, moisture / 100.0)
        goals.append(("moisture_pct", moisture, found))
    if (ratio := asked.get("cn_goal")) is not None:
        goals.append(("cn_ratio", ratio, add_for_cn(recipe, added, ratio)))
    return [
        {
            "goal": goal,
            "value": value,
            "add": name,
            "unit": unit,
            "outcome": found.outcome,
            "amount": found.amount,
            "mix": _mix(found.mix),
            "message": found.message,
        }
        for goal, value, found in goals
    ]


def _added(recipe: Recipe, asked: dict[str, Any]) -> tuple[str, str, Ingredient]:
    """Name, unit and shares of what is added: a line, an ingredient described, or water."""
    typed = {name: asked[name] / 100.0 for name in ADDED if name in asked}
    wanted = asked.get("ingredient")
    if wanted is not None and typed:
        raise InvalidValue(
            "Name a line of the recipe or describe another ingredient, one of them.",
            field="ingredient",
        )
    if wanted is not None:
        line = next((line for line in recipe.lines if line.ingredient == wanted), None)
        if line is None:
            raise InvalidValue("The recipe has no ingredient of this name.", field="ingredient")
        return wanted, "kg", ingredient_of(line)
    if typed:
        return "other ingredient", "kg", Ingredient(0.0, *(typed.get(name) for name in ADDED))
    return "water", "l", WATER
