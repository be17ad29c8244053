"""Decisions on flags and corrections of looks: the only ways a stored look changes its meaning."""

from typing import Any

import pghistory
from django.db import IntegrityError, transaction
from django.db.models import F
from django.utils import timezone

from registry.columns import RETRIEVALS, Kind
from registry.errors import InvalidValue, RecordChanged, StaleVersion
from registry.intake import locks
from registry.intake.faults import FaultBook
from registry.intake.parse import read_one
from registry.models import Correction, Flag, FlagDecision, Pile, Retrieval
from registry.permissions import Actor, Capability, demand
from registry.services import audit, flags, pile_heat

# The key of a look is not a measurement: a look entered for the wrong bag or day is a new look.
CORRECTABLE = tuple(
    column.name for column in RETRIEVALS.columns if column.name not in RETRIEVALS.key
)
DECISIONS = (FlagDecision.ACCEPT, FlagDecision.EXCLUDE)


@transaction.atomic
def decide_flag(*, flag: Flag, decision: str, reason: str, by: Actor) -> Flag:
    """Accept what was found, or exclude what it is about from pooling; nothing leaves an export.

    Excluding a look leaves that look out, a bag all its looks, a pile all its bags; excluding a
    probe leaves its log out of the pile's heat.
    """
    trial = flag.pile.trial
    demand(by, Capability.DECIDE_FLAG, trial=trial)
    if decision not in DECISIONS:
        raise InvalidValue("A decision is accept or exclude.", field="decision")
    reason = _reason(reason)
    _hold(flag.pile)
    flag = Flag.objects.select_for_update(of=("self",)).get(pk=flag.pk)
    if flag.decision == FlagDecision.WITHDRAWN:
        raise RecordChanged(
            "The data no longer show this; it was withdrawn.", code="flag_withdrawn"
        )
    if (flag.decision == FlagDecision.EXCLUDE) != (decision == FlagDecision.EXCLUDE):
        flag.exclusion_changes += 1
    flag.decision = FlagDecision(decision)
    flag.reason, flag.decided_by, flag.decided_at = reason, by.user, timezone.now()
    with pghistory.context(action="flag decided", actor=by.label):
        flag.save(
            update_fields=["decision", "reason", "decided_by", "decided_at", "exclusion_changes"]
        )
    if flag.retrieval_id or flag.bag_id:
        # What is left out speaks for no control.
        flags.review_looks([flag.pile_id], by)
    if flag.probe:
        pile_heat.keep_up([flag.pile_id])
    audit.record(
        "flag_decided", f"Flag {flag.pk} {flag.code} → {decision}: {reason}", by=by, trial=trial
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
    """Change one value of a look; the old one stays readable in the correction.

    Raises StaleVersion when the look was corrected since the caller read it, InvalidValue for a
    value the column or the look cannot have, RecordChanged when nothing would change.
    """
    pile = retrieval.bag.pile
    demand(by, Capability.CORRECT, site=pile.site, trial=pile.trial)
    reason = _reason(reason)
    if field not in CORRECTABLE:
        raise InvalidValue(f"{field[:60]} cannot be corrected.", field="field")
    _hold(pile)
    look = Retrieval.objects.select_for_update(of=("self",)).get(pk=retrieval.pk)
    if seen_revision is not None and seen_revision != look.revision:
        raise StaleVersion("The look has been corrected since you read it; read it again.")
    new = _checked(field, value)
    old = getattr(look, field)
    if old == new:
        raise RecordChanged(f"{field} is {_text(old) or 'empty'} already.", code="nothing_changes")
    with pghistory.context(action="correction", actor=by.label):
        _change(look, field, new)
    look.refresh_from_db()
    correction = Correction.objects.create(
        retrieval=look,
        field=field,
        old_value=_text(old),
        new_value=_text(new),
        reason=reason,
        made_by_user=by.user,
        made_by_token=by.token,
    )
    flags.review_looks([pile.pk], by)
    audit.record("look_corrected", f"{look}: {field}: {reason}", by=by, trial=pile.trial)
    return correction


def _reason(sent: str) -> str:
    reason = sent.strip()
    if not reason:
        raise InvalidValue("Give a reason; a later reader will ask for it.", field="reason")
    if len(reason) > 500:
        raise InvalidValue("Give the reason in at most 500 characters.", field="reason")
    return reason


def _hold(pile: Pile) -> None:
    """Wait for a freeze of the trial and for uploads to the site, as an upload does."""
    locks.share_trials([pile.trial_id])
    locks.hold_sites([pile.site_id])


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
