"""Who belongs to a site and who coordinates a trial: invited by link, joined once, taken leave of.

An invitation is for one e-mail address and works once, until it expires or is taken back. The link
proves nothing about an account that exists, so its owner has to be signed in to accept.
"""

import secrets
from datetime import datetime, timedelta

import pghistory
from django.db import transaction
from django.utils import timezone

from registry.errors import InvalidValue, InvitationEnded, NotAllowed
from registry.models import AccessToken, Invitation, Site, SiteMembership, SiteRole, Trial, User
from registry.models.invitation import IS_OPEN
from registry.permissions import Actor, Capability, demand
from registry.services import audit
from registry.services.access import require_email, require_good_password

# Long enough for a holiday, short enough that a forgotten link in a mailbox opens nothing.
INVITATION_DAYS = 14
LONGEST_INVITATION_DAYS = 60


def invite_to_site(
    *, site: Site, email: str, role: str, by: Actor, days: int = INVITATION_DAYS
) -> tuple[Invitation, str]:
    """An invitation to work at a site, and the secret of its link, shown once and not kept."""
    demand(by, Capability.MANAGE_MEMBERS, site=site)
    return invite_from_the_console(site=site, email=email, role=role, days=days, by=by)


def invite_from_the_console(
    *, site: Site, email: str, role: str, by: Actor, days: int = INVITATION_DAYS
) -> tuple[Invitation, str]:
    """As `invite_to_site`, by whoever runs the registry: for a site that nobody leads yet."""
    if role not in SiteRole.values:
        raise InvalidValue("A role is technician or lead.", field="role")
    email = _address(email)
    if SiteMembership.objects.filter(site=site, user__email=email).exists():
        raise InvalidValue(f"{email} belongs to {site.name} already.", field="email")
    return _invite(Invitation(site=site, role=role), email, days, by)


def invite_to_trial(
    *, trial: Trial, email: str, by: Actor, days: int = INVITATION_DAYS
) -> tuple[Invitation, str]:
    """An invitation to coordinate a trial, and the secret of its link."""
    demand(by, Capability.MANAGE_MEMBERS, trial=trial)
    email = _address(email)
    if trial.coordinators.filter(email=email, is_coordinator=True).exists():
        raise InvalidValue(f"{email} coordinates {trial.code} already.", field="email")
    return _invite(Invitation(trial=trial), email, days, by)


@transaction.atomic
def revoke_invitation(*, invitation: Invitation, by: Actor) -> None:
    """Make a link useless. Revoking again changes nothing; one that was accepted stays accepted."""
    demand(by, Capability.MANAGE_MEMBERS, site=invitation.site, trial=invitation.trial)
    with pghistory.context(action="invitation taken back", actor=by.label):
        revoked = Invitation.objects.filter(IS_OPEN, pk=invitation.pk).update(
            revoked_at=timezone.now()
        )
    if revoked:
        place = _place(invitation)
        audit.record(
            "invitation_revoked",
            f"Invitation of {invitation.email} to {place} taken back",
            by,
            _trial(invitation),
        )


def invitation_behind(secret: str, *, now: datetime) -> Invitation | None:
    """The open invitation of a link, or None when it was used, taken back, expired or made up."""
    if not secret.isascii():
        return None
    found = (
        Invitation.objects.select_related("site", "trial", "invited_by")
        .filter(digest=AccessToken.digest_of(secret))
        .first()
    )
    return found if found is not None and found.is_open(now=now) else None


@transaction.atomic
def accept_invitation(*, secret: str, user: User, now: datetime) -> Invitation:
    """Join. Raises InvitationEnded, and NotAllowed for anyone but the invited person."""
    invitation = _hold(secret, now)
    if user.email != invitation.email:
        raise NotAllowed(f"This invitation is for {invitation.email}.")
    return _join(invitation, user, now)


@transaction.atomic
def accept_as_new_person(*, secret: str, name: str, password: str, now: datetime) -> User:
    """Make the invited account and join. Raises InvalidValue, NotAllowed, InvitationEnded."""
    invitation = _hold(secret, now)
    if User.objects.filter(email=invitation.email).exists():
        raise NotAllowed("This address has an account. Log in to accept.")
    name = name.strip()
    if not 1 <= len(name) <= 200:
        raise InvalidValue("Give your name, in at most 200 characters.", field="name")
    user = User(email=invitation.email, name=name)
    require_good_password(password, user)
    user.set_password(password)
    user.save()
    _join(invitation, user, now)
    return user


@transaction.atomic
def change_role(*, membership: SiteMembership, role: str, by: Actor) -> None:
    """Make a member a lead, or a lead a technician."""
    site = membership.site
    demand(by, Capability.MANAGE_MEMBERS, site=site)
    if role not in SiteRole.values:
        raise InvalidValue("A role is technician or lead.", field="role")
    with pghistory.context(action="role changed", actor=by.label):
        changed = (
            SiteMembership.objects.filter(pk=membership.pk).exclude(role=role).update(role=role)
        )
    if changed:
        about = f"{membership.user} is {role} at {site.code}"
        audit.record("member_role", about, by, _only_trial(site))


@transaction.atomic
def remove_member(*, membership: SiteMembership, by: Actor) -> None:
    """Take leave of a member. Everyone may take leave of a site themselves."""
    site = membership.site
    if by.user is None or by.user.pk != membership.user_id or by.token is not None:
        demand(by, Capability.MANAGE_MEMBERS, site=site)
    with pghistory.context(action="member left", actor=by.label):
        gone, _ = SiteMembership.objects.filter(pk=membership.pk).delete()
    if gone:
        about = f"{membership.user} no longer belongs to {site.code}"
        audit.record("member_left", about, by, _only_trial(site))


@transaction.atomic
def remove_coordinator(*, trial: Trial, user: User, by: Actor) -> None:
    """Take leave of a coordinator; the last one stays, or nobody could decide anything."""
    demand(by, Capability.MANAGE_MEMBERS, trial=trial)
    # Two who remove each other at one moment must not both succeed.
    Trial.objects.select_for_update().get(pk=trial.pk)
    if not trial.coordinators.filter(pk=user.pk).exists():
        return
    if trial.coordinators.filter(is_coordinator=True, is_active=True).count() == 1:
        raise InvalidValue("A trial keeps at least one coordinator; invite another one first.")
    with pghistory.context(action="coordinator left", actor=by.label):
        trial.coordinators.remove(user)
    audit.record("coordinator_left", f"{user} no longer coordinates {trial.code}", by, trial)


@transaction.atomic
def _invite(invitation: Invitation, email: str, days: int, by: Actor) -> tuple[Invitation, str]:
    """A second invitation to the same place replaces the first, whose link may be lost."""
    if not 1 <= days <= LONGEST_INVITATION_DAYS:
        raise InvalidValue(f"Give 1 to {LONGEST_INVITATION_DAYS} days.", field="days")
    now = timezone.now()
    with pghistory.context(action="invited again", actor=by.label):
        Invitation.objects.filter(
            IS_OPEN, email=email, site=invitation.site, trial=invitation.trial
        ).update(revoked_at=now)
    secret = secrets.token_urlsafe(32)
    invitation.email, invitation.digest = email, AccessToken.digest_of(secret)
    invitation.created_at, invitation.expires_at = now, now + timedelta(days=days)
    invitation.invited_by = by.user
    invitation.save()
    about = f"{email} invited to {_place(invitation)}"
    audit.record("invited", about, by, _trial(invitation))
    return invitation, secret


def _hold(secret: str, now: datetime) -> Invitation:
    found = invitation_behind(secret, now=now)
    held = found and Invitation.objects.select_for_update().get(pk=found.pk)
    if held is None or not held.is_open(now=now):
        raise InvitationEnded("This invitation was used, taken back, or has expired.")
    return held


def _join(invitation: Invitation, user: User, now: datetime) -> Invitation:
    by = Actor(user=user)
    with pghistory.context(action="invitation accepted", actor=by.label):
        if invitation.site is not None:
            SiteMembership.objects.update_or_create(
                user=user, site=invitation.site, defaults={"role": invitation.role}
            )
        elif invitation.trial is not None:
            User.objects.filter(pk=user.pk).update(is_coordinator=True)
            user.is_coordinator = True
            invitation.trial.coordinators.add(user)
        invitation.accepted_at, invitation.accepted_by = now, user
        invitation.save(update_fields=["accepted_at", "accepted_by"])
    audit.record("joined", f"{user} joined {_place(invitation)}", by, _trial(invitation))
    return invitation


def _address(email: str) -> str:
    email = email.strip().lower()
    require_email(email)
    return email


def _place(invitation: Invitation) -> str:
    if invitation.site is not None:
        return f"{invitation.site.code} as {invitation.role}"
    return f"{invitation.trial.code} as coordinator" if invitation.trial is not None else ""


def _trial(invitation: Invitation) -> Trial | None:
    return invitation.trial or (_only_trial(invitation.site) if invitation.site else None)


def _only_trial(site: Site) -> Trial | None:
    """The trial in whose story the site's people belong, if there is exactly one."""
    trials = list(site.trials.all()[:2])
    return trials[0] if len(trials) == 1 else None
