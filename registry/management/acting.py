"""On whose behalf an operator's command acts."""

from django.core.management.base import CommandError

from registry.models import Trial
from registry.permissions import Actor


def as_coordinator_of(code: str) -> tuple[Trial, Actor]:
    """The trial, and its first coordinator as the actor. Raises CommandError."""
    trial = Trial.objects.filter(code=code).first()
    if trial is None:
        raise CommandError(f"There is no trial {code}.")
    user = trial.coordinators.order_by("pk").first()
    if user is None:
        raise CommandError(f"Trial {code} has no coordinator; make one with create_coordinator.")
    return trial, Actor(user=user)
