"""Who did what: written in the transaction of the deed."""

from registry.models import AuditEvent, Trial
from registry.permissions import Actor

LONGEST_SUMMARY = 500


def record(action: str, summary: str, by: Actor, trial: Trial | None = None) -> AuditEvent:
    """One line of the audit trail."""
    return AuditEvent.objects.create(
        action=action,
        summary=summary[:LONGEST_SUMMARY],
        trial=trial,
        user=by.user,
        token=by.token,
    )
