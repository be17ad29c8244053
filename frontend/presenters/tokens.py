"""Access tokens as lines of a list, and whom one may be issued for."""

from dataclasses import dataclass
from datetime import datetime

from django.utils.functional import Promise
from django.utils.translation import gettext as _

from registry.models import AccessToken, Site
from registry.permissions import Actor

# No site code is lower case, so this cannot be mistaken for one.
OWN = "own"


@dataclass(frozen=True, slots=True)
class TokenLine:
    pk: int
    name: str
    hint: str
    owner: str
    state: str
    is_usable: bool
    created_at: datetime
    last_used_at: datetime | None


def owner_choices(actor: Actor, sites: list[Site]) -> list[tuple[str, str | Promise]]:
    own: list[tuple[str, str | Promise]] = (
        [(OWN, _("Myself, as coordinator"))] if actor.is_coordinator else []
    )
    return [*((site.code, site.name) for site in sites), *own]


def token_line(token: AccessToken, *, now: datetime) -> TokenLine:
    return TokenLine(
        pk=token.pk,
        name=token.name,
        hint=f"{token.hint}…",
        owner=token.site.name if token.site else _("myself"),
        state=_state(token, now),
        is_usable=token.is_usable(now=now),
        created_at=token.created_at,
        last_used_at=token.last_used_at,
    )


def _state(token: AccessToken, now: datetime) -> str:
    if token.revoked_at is not None:
        return _("revoked")
    if token.expires_at is None:
        return _("valid without end")
    if token.expires_at <= now:
        return _("expired")
    return _("valid until %(day)s") % {"day": token.expires_at.strftime("%Y-%m-%d")}
