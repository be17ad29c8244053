"""A rating in words: band, sentence, chances of ten piles, what it rests on, what to do."""

from dataclasses import dataclass

from django.utils.translation import gettext as _

from frontend.presenters import numbers
from frontend.presenters.vocabulary import (
    BANDS,
    CONFIDENCES,
    FORMS,
    HEAT_MEANINGS,
    HEATS,
    ROLES,
    word,
)
from registry.models import Material
from registry.queries.ratings import RatedMaterial, RatingRow

# The two waits a grower plans with: one season's pile, and half a year.
WAITS = ((84, "chance_84"), (180, "chance_180"))


@dataclass(frozen=True, slots=True)
class Chance:
    """Chance of at least 90 % gone within a wait, as marks (0–10) and as a sentence."""

    weeks: int
    marks: int
    sentence: str


@dataclass(frozen=True, slots=True)
class RatingView:
    """A rating as a page shows it. `band` is a word that carries the meaning without colour."""

    heat: str
    heat_class: str
    heat_meaning: str
    band: str
    sentence: str
    chances: tuple[Chance, ...]
    typical: str
    confidence: str
    evidence: str
    trial_code: str
    trial_title: str
    release_id: int
    release_version: int
    released_at: object
    pooled_id: int | None


@dataclass(frozen=True, slots=True)
class MaterialCard:
    code: str
    name: str
    kind: str
    band: str
    sentence: str
    chance: Chance | None
    footing: str


def rating_view(row: RatingRow) -> RatingView:
    return RatingView(
        heat=word(HEATS, row.heat_class),
        heat_class=row.heat_class,
        heat_meaning=word(HEAT_MEANINGS, row.heat_class) if row.heat_class in HEAT_MEANINGS else "",
        band=word(BANDS, row.band),
        sentence=row.sentence,
        chances=chances_of(row),
        typical=typical_time(row),
        confidence=word(CONFIDENCES, row.confidence),
        evidence=evidence_of(row),
        trial_code=row.trial_code,
        trial_title=row.trial_title,
        release_id=row.release_id,
        release_version=row.release_version,
        released_at=row.released_at,
        pooled_id=row.pooled_id,
    )


def material_card(item: RatedMaterial, *, wait_days: int | None = None) -> MaterialCard:
    row = item.rating
    kind = kind_of(item)
    if row is None:
        return MaterialCard(
            code=item.code,
            name=item.name,
            kind=kind,
            band=word(BANDS, "not_enough_evidence"),
            sentence=_("No released result for such piles yet. It may still be on trial."),
            chance=None,
            footing="",
        )
    chances = chances_of(row)
    wanted = [c for c in chances if wait_days is None or c.weeks == round(wait_days / 7)]
    return MaterialCard(
        code=item.code,
        name=item.name,
        kind=kind,
        band=word(BANDS, row.band),
        sentence=row.sentence,
        chance=wanted[0] if wanted else None,
        footing=f"{word(CONFIDENCES, row.confidence)}, {numbers.counted_sites(row.n_sites)}",
    )


def kind_of(item: RatedMaterial | Material) -> str:
    """Form, and for a control what it is there for."""
    form = word(FORMS, item.form)
    return form if item.role == "test" else f"{form} · {word(ROLES, item.role)}"


def chances_of(row: RatingRow) -> tuple[Chance, ...]:
    """What is known of the two waits; nothing where the evidence is too thin to say."""
    if row.band == "not_enough_evidence":
        return ()
    found = ((days, getattr(row, field)) for days, field in WAITS)
    return tuple(
        Chance(
            weeks=round(days / 7),
            marks=numbers.piles_of_ten(chance),
            sentence=_("%(share)s, nearly all of it is gone within %(weeks)d weeks.")
            % {"share": _capital(numbers.of_ten(chance)), "weeks": round(days / 7)},
        )
        for days, chance in found
        if chance is not None
    )


def typical_time(row: RatingRow) -> str:
    """Typical time until 90 % is gone, and the range in which most piles fall."""
    if row.typical_days is None:
        return ""
    if row.typical_days_low is None or row.typical_days_high is None:
        return _("Typical time until 90 %% is gone: %(time)s.") % {
            "time": numbers.days_as_weeks(row.typical_days)
        }
    return _(
        "Typical time until 90 %% is gone: %(time)s. In a new pile expect %(low)s to %(high)s."
    ) % {
        "time": numbers.days_as_weeks(row.typical_days),
        "low": numbers.days_as_weeks(row.typical_days_low),
        "high": numbers.days_as_weeks(row.typical_days_high),
    }


def evidence_of(row: RatingRow) -> str:
    return _("%(sites)s, %(piles)s, %(bags)s") % {
        "sites": numbers.counted_sites(row.n_sites),
        "piles": numbers.counted_piles(row.n_piles),
        "bags": numbers.counted_bags(row.n_bags),
    }


# Forms that come with, or as, hard parts a pile does not take.
_CUT_UP = frozenset({"pot", "tray", "plug", "mat", "sheet", "film", "foam"})


def how_to(material: Material) -> list[str]:
    """What to do with it, from its form and coating. Common practice, no source."""
    steps = [_("Build the pile big and damp enough to heat: 55 °C in the core is the aim.")]
    if material.form in _CUT_UP:
        steps.append(_("Cut or tear it into pieces of a hand's width before it goes in."))
    steps.append(_("Take off what is not part of it first: clips, wires, labels, staples."))
    if material.coating:
        steps.append(
            _(
                "It is coated (%(coating)s). The coating may outlast the rest: look for thin "
                "flakes when you sieve."
            )
            % {"coating": material.coating}
        )
    steps += [
        _("Bury it in the middle, not on the skin of the pile, and keep it moist."),
        _("Turn the pile several times; every turn brings cool pieces back into the heat."),
        _("Sieve at the end (10 mm, then 2 mm) and put what is left through another pile."),
    ]
    return steps


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
