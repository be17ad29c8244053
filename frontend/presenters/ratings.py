"""A rating as pages show it: band, sentence, chances of ten piles, what it rests on, what to do."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.utils.translation import gettext as _

from frontend.presenters import numbers
from frontend.presenters.rating_sentences import (
    ACTIONS,
    HALF_YEAR_DAYS,
    SEASON_DAYS,
    sentence,
    worked_out,
)
from frontend.presenters.vocabulary import (
    BANDS,
    CONFIDENCES,
    FORMS,
    HEATS,
    ROLES,
    heat_meaning,
    word,
)
from registry.models import Material
from registry.queries.ratings import RatedMaterial, RatingRow

WAITS = ((SEASON_DAYS, "chance_84"), (HALF_YEAR_DAYS, "chance_180"))
NOT_ENOUGH = "not_enough_evidence"


@dataclass(frozen=True, slots=True)
class Chance:
    """Chance of at least 90 % gone within a wait, as marks (0–10) and as a sentence."""

    days: int
    marks: int
    sentence: str


@dataclass(frozen=True, slots=True)
class RatingView:
    """A rating as a page shows it. `band` is a word that carries the meaning without colour."""

    heat: str
    heat_class: str
    heat_meaning: str
    enough: bool
    band: str
    sentence: str
    action: str
    keep_out: bool
    chances: tuple[Chance, ...]
    typical: str
    worked_out: str
    confidence: str
    evidence: str
    trial_code: str
    trial_title: str
    release_id: int
    release_version: int
    released_at: datetime
    pooled_id: int | None


@dataclass(frozen=True, slots=True)
class MaterialCard:
    code: str
    name: str
    kind: str
    enough: bool
    band: str
    sentence: str
    chance: Chance | None
    footing: str


def rating_view(row: RatingRow) -> RatingView:
    return RatingView(
        heat=word(HEATS, row.heat_class),
        heat_class=row.heat_class,
        heat_meaning=heat_meaning(row.heat_class),
        enough=row.band != NOT_ENOUGH,
        band=word(BANDS, row.band),
        sentence=sentence(row),
        action=word(ACTIONS, row.band),
        keep_out=row.band == "little_change",
        chances=chances_of(row),
        typical=typical_time(row),
        worked_out=worked_out(row),
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
    if row is None or row.band == NOT_ENOUGH:
        untried = _("No released result for such piles yet. It may still be on trial.")
        return MaterialCard(
            code=item.code,
            name=item.name,
            kind=kind_of(item),
            enough=False,
            band=word(BANDS, NOT_ENOUGH),
            sentence=sentence(row) if row else untried,
            chance=None,
            footing="",
        )
    wanted = [c for c in chances_of(row) if wait_days is None or c.days == wait_days]
    return MaterialCard(
        code=item.code,
        name=item.name,
        kind=kind_of(item),
        enough=True,
        band=word(BANDS, row.band),
        sentence=sentence(row),
        chance=wanted[0] if wanted else None,
        footing=f"{word(CONFIDENCES, row.confidence)}, {numbers.counted_sites(row.n_sites)}",
    )


def kind_of(item: RatedMaterial | Material) -> str:
    """Form, and for a control what it is there for."""
    form = word(FORMS, item.form)
    return form if item.role == "test" else f"{form} · {word(ROLES, item.role)}"


def chances_of(row: RatingRow) -> tuple[Chance, ...]:
    """What is known of the two waits; nothing where the evidence is too thin to say."""
    if row.band == NOT_ENOUGH:
        return ()
    found = ((days, getattr(row, field)) for days, field in WAITS)
    return tuple(
        Chance(
            days=days,
            marks=numbers.piles_of_ten(chance),
            sentence=_("Gone within %(wait)s %(share)s piles.")
            % {"wait": numbers.wait(days), "share": numbers.of_ten(chance)},
        )
        for days, chance in found
        if chance is not None
    )


def typical_time(row: RatingRow) -> str:
    """Typical time until 90 % is gone, and the range in which most piles fall."""
    if row.band == NOT_ENOUGH or row.typical_days is None:
        return ""
    told = {"time": numbers.days_as_weeks(row.typical_days)}
    if row.typical_days_low is None or row.typical_days_high is None:
        return _("A typical pile takes %(time)s.") % told
    return _("A typical pile takes %(time)s. Most piles take from %(low)s to %(high)s.") % {
        **told,
        "low": numbers.days_as_weeks(row.typical_days_low),
        "high": numbers.days_as_weeks(row.typical_days_high),
    }


def evidence_of(row: RatingRow) -> str:
    return _("%(sites)s, %(piles)s, %(bags)s") % {
        "sites": numbers.counted_sites(row.n_sites),
        "piles": numbers.counted_piles(row.n_piles),
        "bags": numbers.counted_bags(row.n_bags),
    }


def shown_rating(views: Sequence[RatingView], heat: str) -> RatingView | None:
    """The rating whose picture is shown: of the heat asked for, else of all piles."""
    of_heat = {view.heat_class: view for view in reversed(views)}
    return of_heat.get(heat) or of_heat.get("all") or next(iter(views), None)


# Forms that are bulky, so that heat and water reach them only once they are in pieces.
_CUT_UP = frozenset({"pot", "tray", "plug", "mat", "sheet", "film", "foam"})


def how_to(material: Material) -> list[str]:
    """What to do with it, from its form and coating. Common practice, no source."""
    steps = [
        _("Build the pile big and damp enough to heat. Aim for %(hot)s in the core.")
        % {"hot": numbers.temperature(55)},
        _("Take off what is not part of it: clips, wires, labels, staples."),
    ]
    if material.form in _CUT_UP:
        steps.append(_("Cut or tear it into pieces as wide as your hand."))
    if material.coating:
        steps.append(
            _(
                "It has a coat (%(coating)s). Peel it off if you can. The coat may last longer "
                "than the rest: look for thin flakes when you sieve."
            )
            % {"coating": material.coating}
        )
    return [
        *steps,
        _("Bury it in the middle of the pile, not near the skin. Keep it moist."),
        _("Turn the pile a few times. Each turn brings cool pieces back into the heat."),
        _("Sieve at the end, first at 10 mm, then at 2 mm. Put what is left in the next pile."),
    ]
