"""The audit trail of a trial, newest first, by kind of deed."""

from django.db.models import QuerySet

from registry.models import AuditEvent, Trial
from registry.permissions import Actor, visible_to

# What belongs together for somebody who reads back what happened.
KINDS: dict[str, tuple[str, ...]] = {
    "data": ("upload_stored", "look_corrected"),
    "quality": ("flags_reviewed", "flag_decided"),
    "results": ("pooling_requested", "release_frozen", "release_notice"),
    "people": (
        *("invited", "invitation_revoked", "joined", "member_role", "member_left"),
        "coordinator_left",
    ),
    "trial": ("trial_registered", "trial_moved", "trial_extended"),
}


def audit_trail(actor: Actor, trial: Trial, kind: str = "") -> QuerySet[AuditEvent]:
    """Deeds in a trial the actor coordinates; an unknown kind is every kind."""
    rows = visible_to(actor, AuditEvent).filter(trial=trial).select_related("user", "token__site")
    return rows.filter(action__in=KINDS[kind]) if kind in KINDS else rows
