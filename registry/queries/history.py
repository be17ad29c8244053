"""What was changed or deleted, by whom: read from the former states that triggers keep.

A former state tells what the row was before; what it became stands in the next former state, or in
the row itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Model, QuerySet

from registry.models import HISTORY, User
from registry.permissions import HISTORY_NOUNS, Actor, visible_history

LONGEST_VALUE = 500
# Columns the triggers add to a former state.
OWN_PREFIX = "pgh_"


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One column before and after; None where it was empty, and after a deletion."""

    field: str
    old_value: str | None
    new_value: str | None


@dataclass(frozen=True, slots=True)
class Change:
    """One change of one row. `actor` and `action` are blank for what came past the services."""

    id: int
    noun: str
    record: int
    change: str  # changed | deleted
    at: datetime
    actor: str
    action: str
    fields: tuple[FieldChange, ...]


def history_rows(actor: Actor, noun: str, record: int | None = None) -> QuerySet[Any]:
    """Former states of one kind of record, or of one record, that exist for the actor."""
    rows = visible_history(actor, HISTORY_NOUNS[noun]).select_related("pgh_context")
    return rows if record is None else rows.filter(pgh_obj_id=record)


def changes(noun: str, rows: Sequence[Any]) -> list[Change]:
    """The given former states as changes, in their order. Three queries, however many rows."""
    model = HISTORY_NOUNS[noun]
    records = {row.pgh_obj_id for row in rows}
    present = model._default_manager.in_bulk(records)
    later: dict[int, list[Any]] = {}
    states: QuerySet[Any] = HISTORY[model]._default_manager.filter(pgh_obj_id__in=records)
    for state in states.order_by("pgh_id"):
        later.setdefault(state.pgh_obj_id, []).append(state)
    people = _people(rows)
    return [
        _change(noun, row, _after(row, later[row.pgh_obj_id], present.get(row.pgh_obj_id)), people)
        for row in rows
    ]


def history_of(actor: Actor, noun: str, record: int) -> list[Change]:
    """Every change of one record, newest first."""
    return changes(noun, list(history_rows(actor, noun, record).order_by("-pgh_id")))


def _after(row: Any, states: Sequence[Any], present: Model | None) -> Any:
    if row.pgh_label == "deleted":
        return None
    return next((state for state in states if state.pgh_id > row.pgh_id), present)


def _change(noun: str, row: Any, after: Any, people: dict[int, str]) -> Change:
    told = row.pgh_context.metadata if row.pgh_context is not None else {}
    return Change(
        id=row.pgh_id,
        noun=noun,
        record=row.pgh_obj_id,
        change=row.pgh_label,
        at=row.pgh_created_at,
        actor=told.get("actor") or people.get(told.get("user") or 0, ""),
        action=told.get("action") or told.get("url") or "",
        fields=tuple(_field_changes(row, after)),
    )


def _field_changes(before: Any, after: Any) -> list[FieldChange]:
    names = [
        field.attname
        for field in before._meta.concrete_fields
        if not field.name.startswith(OWN_PREFIX)
    ]
    return [
        FieldChange(name, _text(getattr(before, name)), _text(getattr(after, name, None)))
        for name in names
        if after is None or getattr(before, name) != getattr(after, name)
    ]


def _people(rows: Sequence[Any]) -> dict[int, str]:
    ids = {row.pgh_context.metadata.get("user") for row in rows if row.pgh_context is not None}
    return {user.pk: str(user) for user in User.objects.filter(pk__in=ids - {None})}


def _text(value: Any) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.isoformat()
    text = f"{value:.15g}" if isinstance(value, float) else str(value)
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 1] + "…"
