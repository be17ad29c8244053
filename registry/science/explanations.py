"""What goes with a fast or slow decay: filler, coating, thickness, heat. Exploratory, every one.

Rates of materials at sites (the two-stage summary's own, variances known), on the log scale:

    filler      y = β₀ + β₁·percent of filler             within one base, form and filler
    thickness   y = β₀ + β₁·log₂(µm) + β₂·percent of filler   within the same family
    coating     y = β₀ + β₁·coated + pair                 coated materials and their partners
    heat        y = β₀ + β₁·heat of the pile              one material, its piles

with material, site and row random beside them (`meta_regression.py`); for heat the rows are piles,
so row is pile within site. What varies between materials is tested on the fewer of sites − 1 and
materials − coefficients; coating within one pair, and heat, on sites − 1 and sites − 2: bags and
piles do not make up for few materials or sites. Counting piles for heat would be the containment
rule; the stricter one is taken, since piles of a site share its heat (agreed here; no source).

A trial of waste materials was not laid out to answer these: materials differ in more than one way,
and hot piles are hot for a reason. Hence exploratory, without adjustment for their number.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from registry.science.explanation_fits import answer
from registry.science.explanation_types import Explanation, Question, Row
from registry.science.formulation import (
    CoatedPair,
    Family,
    MaterialFacts,
    coated_pairs,
    families,
)
from registry.science.heat_class import HeatSummary
from registry.science.looks import UNKNOWN_HEAT
from registry.science.pile_rates import PileRate
from registry.science.thermal import HOT_C

# One pair speaks of itself, two of themselves; three begin to speak of coatings.
MIN_PAIRS_TO_JOIN = 3


@dataclass(frozen=True, slots=True)
class Warmth:
    """A pile's own log in numbers; None of a pile whose log has too many gaps to say."""

    mean_c: float
    hours_above_55: float


def warmth(heat: HeatSummary) -> Warmth | None:
    """A pile's heat in numbers; None where its log has too many gaps, or none."""
    if heat.heat_class == UNKNOWN_HEAT or heat.thermal.mean_c is None:
        return None
    return Warmth(heat.thermal.mean_c, heat.thermal.hours_at_least(HOT_C))


def explain_trial(
    rates: Mapping[str, Sequence[Row]],
    piles: Sequence[PileRate],
    materials: Sequence[MaterialFacts],
    warmth: Mapping[tuple[str, str], Warmth],
) -> tuple[Explanation, ...]:
    """Every question the trial's materials and piles raise, answered or refused by name.

    Parameters
    ----------
    rates : the sites' own log rates by material, see `rows_of_materials`.
    piles : the rates of single piles.
    materials : facts of every material on trial.
    warmth : heat by (site, pile), of the piles whose log is complete enough.

    Raises
    ------
    FitDidNotConverge
    """
    facts = {material.code: material for material in materials}
    questions: list[Question] = []
    for family in families(materials):
        questions += [_filler(family, rates), _thickness(family, rates)]
    pairs = coated_pairs(materials)
    questions += [_coating((pair,), rates) for pair in pairs]
    if len(pairs) >= MIN_PAIRS_TO_JOIN:
        questions.append(_coating(pairs, rates))
    tested = sorted(code for code, found in facts.items() if found.role == "test")
    for code in tested:
        mine = [pile for pile in piles if pile.material == code]
        questions += [
            _heat("mean_temperature", code, mine, {k: w.mean_c for k, w in warmth.items()}),
            _heat("hours_above_55", code, mine, {k: w.hours_above_55 for k, w in warmth.items()}),
        ]
    return tuple(answer(question) for question in questions)


def _filler(family: Family, rates: Mapping[str, Sequence[Row]]) -> Question:
    share = {member.code: member.filler_pct for member in family.members}
    return Question(
        kind="filler_fraction",
        subject=_name(family),
        rows=tuple(row.at(share[code]) for code in share for row in rates.get(code, ())),
    )


def _thickness(family: Family, rates: Mapping[str, Sequence[Row]]) -> Question:
    measured = {m.code: m for m in family.members if m.thickness_um is not None}
    return Question(
        kind="thickness",
        subject=_name(family),
        rows=tuple(
            row.at(float(member.thickness_um or 0.0), beside=(member.filler_pct,))
            for code, member in measured.items()
            for row in rates.get(code, ())
        ),
    )


def _coating(pairs: Sequence[CoatedPair], rates: Mapping[str, Sequence[Row]]) -> Question:
    rows: list[Row] = []
    for number, pair in enumerate(pairs):
        # Which pair, as columns beside: all but the last one, or they would add up to one.
        beside = tuple(float(number == other) for other in range(len(pairs) - 1))
        rows += [row.at(1.0, beside=beside) for row in rates.get(pair.coated, ())]
        rows += [row.at(0.0, beside=beside) for row in rates.get(pair.uncoated, ())]
    one = pairs[0] if len(pairs) == 1 else None
    return Question(
        kind="coating",
        subject=f"{one.coated} / {one.uncoated}" if one else f"{len(pairs)} coated pairs",
        material=one.coated if one else None,
        other=one.uncoated if one else None,
        rows=tuple(rows),
    )


def _heat(
    kind: str, material: str, piles: Sequence[PileRate], heat: Mapping[tuple[str, str], float]
) -> Question:
    return Question(
        kind=kind,
        subject=material,
        material=material,
        rows=tuple(
            Row(material, pile.site, pile.pile, pile.log_rate, pile.variance).at(
                heat[pile.site, pile.pile]
            )
            for pile in piles
            if (pile.site, pile.pile) in heat
        ),
    )


def _name(family: Family) -> str:
    return f"{family.base}, {family.form}: {family.filler}"
