"""People and invitations as lines of a list."""

from dataclasses import dataclass
from datetime import datetime

from django.utils.translation import gettext as _

from frontend.presenters.vocabulary import SITE_ROLES, word
from registry.models import Invitation, SiteMembership, SiteRole, User
from registry.queries.members import SitePeople


@dataclass(frozen=True, slots=True)
class PersonLine:
    """`other_role` is the role the person does not have, empty for a trial's coordinator."""

    pk: int
    name: str
    email: str
    role: str
    other_role: str
    other_role_name: str
    is_reader: bool


@dataclass(frozen=True, slots=True)
class InvitationLine:
    pk: int
    email: str
    role: str
    invited_by: str
    expires_at: datetime


@dataclass(frozen=True, slots=True)
class SiteLine:
    code: str
    name: str
    people: tuple[PersonLine, ...]
    is_managed_elsewhere: bool


def member_line(member: SiteMembership, reader: User) -> PersonLine:
    other = SiteRole.TECHNICIAN if member.role == SiteRole.LEAD else SiteRole.LEAD
    return PersonLine(
        pk=member.pk,
        name=member.user.name or member.user.email,
        email=member.user.email,
        role=word(SITE_ROLES, member.role),
        other_role=other,
        other_role_name=word(SITE_ROLES, other),
        is_reader=member.user_id == reader.pk,
    )


def coordinator_line(user: User, reader: User) -> PersonLine:
    return PersonLine(
        user.pk, user.name or user.email, user.email, _("Coordinator"), "", "", user.pk == reader.pk
    )


def site_line(found: SitePeople, reader: User) -> SiteLine:
    return SiteLine(
        code=found.site.code,
        name=found.site.name,
        people=tuple(member_line(row, reader) for row in found.people or ()),
        is_managed_elsewhere=found.people is None,
    )


def invitation_line(invitation: Invitation) -> InvitationLine:
    return InvitationLine(
        pk=invitation.pk,
        email=invitation.email,
        role=role_of(invitation),
        invited_by=str(invitation.invited_by or _("who runs the registry")),
        expires_at=invitation.expires_at,
    )


def role_of(invitation: Invitation) -> str:
    return word(SITE_ROLES, invitation.role) if invitation.role else _("Coordinator")
