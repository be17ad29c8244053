"""Looks at a bag in words: what to ask for, and what was found."""

from collections.abc import Iterable
from dataclasses import dataclass

from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from frontend.presenters import numbers
from frontend.presenters.photos import PhotoPart, photo_part
from frontend.presenters.vocabulary import (
    FLAG_DECISIONS,
    LOOK_OUTCOMES,
    SHORT_OUTCOMES,
    Words,
    word,
)
from registry.columns import OUTCOMES
from registry.models import Photo
from registry.queries.bag_record import BagRecord, LookRecord

Choices = tuple[tuple[str, str | Promise], ...]

LOOK_LABELS: Words = {
    "retrieved_on": gettext_lazy("Day of the look"),
    "dry_mass_g": gettext_lazy("Dry mass of the residue, cleaned"),
    "wet_mass_g": gettext_lazy("Wet mass as lifted"),
    "fragmentation": gettext_lazy("Pieces"),
    "growth": gettext_lazy("Growth on it"),
    "brittleness": gettext_lazy("Brittleness"),
    "cracking": gettext_lazy("Cracks"),
    "discolouration": gettext_lazy("Colour change"),
    "reburied": gettext_lazy("The bag went back into the pile"),
    "sieve_mm": gettext_lazy("Sieve aperture"),
    "drying_c": gettext_lazy("Drying temperature"),
    "ash_pct": gettext_lazy("Ash of the residue, of dry mass"),
    "contaminant_ash_pct": gettext_lazy("Ash of the compost around it, of dry mass"),
    "observer": gettext_lazy("Who looked"),
    "notes": gettext_lazy("Notes"),
}
LOOK_UNITS = {
    "dry_mass_g": "g",
    "wet_mass_g": "g",
    "sieve_mm": "mm",
    "drying_c": "°C",
    "ash_pct": "%",
    "contaminant_ash_pct": "%",
}
_BLANK = ("", gettext_lazy("not scored"))


def _scale(most: int, first: str | Promise, last: str | Promise) -> Choices:
    """0 to `most`; the two ends are told in words, steps between them are judged."""
    between: Choices = tuple((str(n), str(n)) for n in range(1, most))
    return (_BLANK, ("0", first), *between, (str(most), last))


SCORE_WORDS: dict[str, Choices] = {
    "fragmentation": (
        _BLANK,
        ("0", gettext_lazy("0: whole")),
        ("1", gettext_lazy("1: edges frayed")),
        ("2", gettext_lazy("2: large pieces")),
        ("3", gettext_lazy("3: small pieces")),
        ("4", gettext_lazy("4: specks")),
        ("5", gettext_lazy("5: none found")),
    ),
    "growth": _scale(5, gettext_lazy("0: none"), gettext_lazy("5: overgrown all over")),
    "brittleness": _scale(4, gettext_lazy("0: as new"), gettext_lazy("4: crumbles")),
    "cracking": _scale(4, gettext_lazy("0: none"), gettext_lazy("4: all over")),
    "discolouration": _scale(4, gettext_lazy("0: as new"), gettext_lazy("4: all over")),
}
_OUTCOME_HINTS: Words = {
    "recovered": gettext_lazy("There is residue to weigh or to score."),
    "nothing_left": gettext_lazy("The bag is whole and nothing is in it. This is a true zero."),
    "bag_lost": gettext_lazy("The bag was not found. This is missing, never zero."),
    "bag_damaged": gettext_lazy("The bag is torn or open. This is missing, never zero."),
    "looked_at": gettext_lazy("Scored in the pile, not lifted and not weighed."),
}


@dataclass(frozen=True, slots=True)
class OutcomeChoice:
    code: str
    name: str
    hint: str


@dataclass(frozen=True, slots=True)
class LookLine:
    """One look in words; `pk` of the stored row."""

    pk: int
    date: str
    day: str
    outcome: str
    values: tuple[tuple[str, str], ...]
    left: str
    notes: str
    questions: tuple[str, ...]
    photos: tuple[PhotoPart, ...] = ()


def outcome_choices() -> list[OutcomeChoice]:
    return [
        OutcomeChoice(code, str(SHORT_OUTCOMES[code]), str(_OUTCOME_HINTS[code]))
        for code in OUTCOMES
    ]


def look_line(record: LookRecord, photos: Iterable[Photo] = ()) -> LookLine:
    look = record.look
    return LookLine(
        pk=look.pk,
        date=numbers.long_day(look.retrieved_on),
        day=_("day %(n)d") % {"n": record.day},
        outcome=word(LOOK_OUTCOMES, look.outcome),
        values=tuple(_values(record)),
        left=_left(record),
        notes=look.notes,
        questions=tuple(
            f"{flag.message} ({word(FLAG_DECISIONS, flag.decision)})" for flag in record.flags
        ),
        photos=tuple(photo_part(photo, look, record.day) for photo in photos),
    )


def _left(record: LookRecord) -> str:
    if record.look.outcome == "nothing_left":
        return _("0 % of the dry start mass")
    if record.remaining is None:
        return ""
    # Never clipped: more than the start mass is a question, not a hundred.
    return _("%(n)d %% of the dry start mass") % {"n": round(100 * record.remaining)}


def _values(record: LookRecord) -> list[tuple[str, str]]:
    look, found = record.look, []
    for name, label in LOOK_LABELS.items():
        value = getattr(look, name)
        if name in ("retrieved_on", "observer", "notes", "reburied") or value is None:
            continue
        if name in SCORE_WORDS:
            said = str(dict(SCORE_WORDS[name])[str(value)])
        else:
            said = f"{value:g} {LOOK_UNITS[name]}"
        found.append((str(label), said))
    if look.reburied:
        found.append((_("Afterwards"), _("back in the pile")))
    if record.observer:
        found.append((str(LOOK_LABELS["observer"]), record.observer))
    return found


def bag_facts(record: BagRecord) -> list[tuple[str, str]]:
    """What the bag is, so that the right one is in the hand."""
    bag = record.bag
    start = _("%(mass)s g") % {"mass": f"{bag.initial_mass_g:g}"}
    if bag.initial_moisture_pct is not None:
        start += _(" at %(n)s %% moisture") % {"n": f"{bag.initial_moisture_pct:g}"}
    facts = [
        (_("Material"), bag.material.name),
        (_("Buried on"), numbers.long_day(bag.buried_on)),
        (_("At the start"), start),
    ]
    if bag.pieces is not None:
        facts.append((_("Pieces at the start"), str(bag.pieces)))
    if bag.mesh_mm is not None:
        facts.append((_("Mesh"), f"{bag.mesh_mm:g} mm"))
    if record.due_on is not None:
        facts.append((_("Planned to be lifted on"), numbers.long_day(record.due_on)))
    return facts


def standing_sentence(record: BagRecord) -> str:
    """Where the bag is, as far as the looks tell."""
    if record.left_the_pile_on is not None:
        return _(
            "This bag left the pile on %(day)s. Another look is stored only if it was earlier."
        ) % {"day": numbers.long_day(record.left_the_pile_on)}
    if record.due_on is None:
        return _("This bag lies in its pile; no day is planned.")
    over = (record.today - record.due_on).days
    if over > 0:
        return ngettext(
            "This bag lies in its pile, %(n)d day over its plan.",
            "This bag lies in its pile, %(n)d days over its plan.",
            over,
        ) % {"n": over}
    return _("This bag lies in its pile.")
