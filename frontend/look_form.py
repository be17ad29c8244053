"""One look from a phone: the outcome first, then only what goes with it.

A lost bag is never asked for a mass, so it cannot become a zero; what is sent all the same goes to
the registry's own checks and is refused there. Numbers are read by those checks, too.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from django.http import QueryDict
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from frontend.presenters.look_words import (
    LOOK_LABELS,
    LOOK_UNITS,
    SCORE_WORDS,
    OutcomeChoice,
    outcome_choices,
)
from registry.columns import OUTCOMES, RETRIEVALS, Column, Kind
from registry.errors import Fault
from registry.models.retrieval import SCORES

NOTES = ("observer", "notes")
# What is asked for, by outcome; a second part is folded away.
ASKED: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "recovered": (
        ("retrieved_on", "dry_mass_g", "fragmentation", "reburied"),
        ("wet_mass_g", "sieve_mm", "drying_c", "ash_pct", "contaminant_ash_pct", *SCORES[1:]),
    ),
    "nothing_left": (("retrieved_on", "sieve_mm"), ()),
    "bag_lost": (("retrieved_on",), ()),
    "bag_damaged": (("retrieved_on", "reburied"), ()),
    "looked_at": (("retrieved_on", *SCORES), ()),
}


@dataclass(frozen=True, slots=True)
class Field:
    """One input as the template draws it."""

    name: str
    label: str | Promise
    unit: str
    kind: str
    value: str
    choices: Sequence[tuple[str, str | Promise]] = ()
    errors: tuple[str, ...] = ()
    required: bool = False

    @property
    def is_wrong(self) -> bool:
        return bool(self.errors)


@dataclass(frozen=True, slots=True)
class LookForm:
    """The form of one outcome; `loose` errors belong to no field that is shown."""

    outcome: OutcomeChoice
    fields: tuple[Field, ...]
    more: tuple[Field, ...]
    loose: tuple[str, ...]

    @property
    def wrong(self) -> tuple[Field, ...]:
        return tuple(field for field in (*self.fields, *self.more) if field.errors)

    @property
    def more_is_open(self) -> bool:
        return any(field.errors or field.value for field in self.more)


def sent_values(trial: str, label: str, posted: QueryDict) -> dict[str, str]:
    """What was typed, as one row of an upload; blank inputs are left out.

    The number pad of many phones has a comma and no point, so one comma is read as the point.
    """
    values = {"trial": trial, "bag_label": label}
    for column in RETRIEVALS.columns:
        text = posted.get(column.name, "").strip()
        if not text or column.name in values:
            continue
        if column.kind is Kind.NUMBER and "." not in text and text.count(",") == 1:
            text = text.replace(",", ".")
        values[column.name] = text
    return values


def look_form(
    outcome: str, values: Mapping[str, str], *, today: date, faults: Sequence[Fault] = ()
) -> LookForm | None:
    """The form for an outcome with what was typed and what is wrong; None for no such outcome."""
    if outcome not in OUTCOMES:
        return None
    first, second = ASKED[outcome]
    shown = {*first, *second, *NOTES}
    known = {"retrieved_on": today.isoformat(), **values}
    chosen = next(choice for choice in outcome_choices() if choice.code == outcome)
    return LookForm(
        outcome=chosen,
        fields=tuple(_field(name, known, faults) for name in (*first, *NOTES)),
        more=tuple(_field(name, known, faults) for name in second),
        loose=tuple(fault.message for fault in faults if fault.field not in shown),
    )


def _field(name: str, values: Mapping[str, str], faults: Sequence[Fault]) -> Field:
    column = RETRIEVALS.column(name)
    return Field(
        name=name,
        label=LOOK_LABELS[name],
        unit=LOOK_UNITS.get(name, ""),
        kind=_kind(column),
        value=values.get(name, ""),
        choices=SCORE_WORDS.get(name, ()),
        errors=tuple(fault.message for fault in faults if fault.field == name),
        required=column.required,
    )


def _kind(column: Column) -> str:
    if column.name in SCORES:
        return "choice"
    if column.name == "notes":
        return "long"
    return {Kind.DATE: "date", Kind.NUMBER: "number", Kind.YES_NO: "yes_no"}.get(
        column.kind, "text"
    )


NO_OUTCOME = _("Choose what became of the bag first.")
