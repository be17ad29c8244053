"""Decisions on flags and corrections of looks: the only ways a stored look changes its meaning."""

from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F
from django.utils import timezone

from registry.columns import RETRIEVALS, Kind
from registry.errors import InvalidValue, RecordChanged, StaleVersion
from registry.intake.faults import FaultBook
from registry.intake.parse import read_one
from registry.models import Correction, Flag, FlagDecision, Retrieval
from registry.permissions import Actor, Capability, demand
from registry.services import audit

# The key of a look is not a measurement: a look entered for the wrong bag or day is a new look.
CORRECTABLE = tuple(
    column.name for column in RETRIEVALS.columns if column.name not in RETRIEVALS.key
)


@transaction.atomic
def decide_flag(*, flag: Flag, decision: str, reason: str, by: Actor) -> Flag:
    """Accept the look as it is, or exclude it from pooling; it stays in every export, marked."""
    trial = flag.retrieval.bag.trial
    demand(by, Capability.DECIDE_FLAG, trial=trial)
    if not reason.strip():
        raise InvalidValue("Give a reason; a later reader will ask for it.", field="reason")
    flag.decision = FlagDecision(decision)
    flag.reason = reason.strip()
    flag.decided_by = by.user
    flag.decided_at = timezone.now()
    flag.save(update_fields=["decision", "reason", "decided_by", "decided_at"])
    audit.record(
        "flag_decided", f"{flag.retrieval}: {flag.code} → {decision}: {reason}", by=by, trial=trial
    )
    return flag


@transaction.atomic
def correct_retrieval(
    *,
    retrieval: Retrieval,
    field: str,
    value: Any,
    reason: str,
    by: Actor,
    seen_revision: int | None = None,
) -> Correction:
    """Change one value of a look; the old one stays readable in the correction."""
    look = Retrieval.objects.select_for_update(of=("self",)).get(pk=retrieval.pk)
    demand(by, Capability.CORRECT, site=look.bag.pile.site)
    if seen_revision is not None and seen_revision != look.revision:
        raise StaleVersion("The look has been corrected since you read it; read it again.")
    if not reason.strip():
        raise InvalidValue("Give a reason; a later reader will ask for it.", field="reason")
    new = _checked(field, value)
    old = getattr(look, field)
    if old == new:
        raise RecordChanged(f"{field} is {_text(old) or 'empty'} already.", code="nothing_changes")
    _change(look, field, new)
    audit.record("look_corrected", f"{look}: {field}", by=by, trial=look.bag.trial)
    return Correction.objects.create(
        retrieval=look,
        field=field,
        old_value=_text(old),
        new_value=_text(new),
        reason=reason.strip(),
        made_by_user=by.user,
        made_by_token=by.token,
    )


def _checked(field: str, value: Any) -> Any:
    """The value as the column stores it. Raises InvalidValue with what to change."""
    if value is not None and not isinstance(value, str | int | float | bool):
        raise InvalidValue("Give one value: a number, a text, or null.", field=field)
    book = FaultBook()
    table = read_one({field: value}, RETRIEVALS, book)
    mine = [fault for fault in book.told() if fault.field == field]
    if mine:
        raise InvalidValue(mine[0].message, field=field, faults=mine)
    found = table.column(field)[0].as_py()
    if RETRIEVALS.column(field).kind is Kind.YES_NO:
        return found == "yes"
    if RETRIEVALS.column(field).kind is Kind.TEXT:
        return found or ""
    return found


def _change(look: Retrieval, field: str, value: Any) -> None:
    """Write the value. The table's own constraints say whether the look still makes sense."""
    try:
        with transaction.atomic():
            Retrieval.objects.filter(pk=look.pk).update(
                **{field: value, "revision": F("revision") + 1}
            )
    except IntegrityError as broken:
        name = getattr(getattr(broken.__cause__, "diag", None), "constraint_name", None) or ""
        rule = name.removeprefix("retrieval_").replace("_", " ")
        raise InvalidValue(
            f"With this value the look would break a rule: {rule}. Correct the other field first.",
            field=field,
        ) from broken


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.15g}" if isinstance(value, float) else str(value)
