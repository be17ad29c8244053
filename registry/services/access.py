"""Who gets in: tokens for scripts, accounts for coordinators."""

from datetime import datetime, timedelta

import pghistory
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from registry.errors import InvalidValue
from registry.models import AccessToken, Site, User
from registry.permissions import ANYONE, Actor
from registry.services import audit

HINT_LENGTH = 8
# Long enough for a tag nobody forgets to renew, short enough for a date to be meant.
LONGEST_TOKEN_DAYS = 3660
# A busy script would else write one row per request.
LAST_USE_EVERY = timedelta(minutes=1)


def issue_site_token(
    *, site: Site, name: str, days: int | None = None, by: Actor | None = None
) -> tuple[AccessToken, str]:
    """A lab's token, and its secret, which is shown once and not kept."""
    return _issue(AccessToken(site=site), name, days, by or ANYONE, f"site {site.code}")


def issue_coordinator_token(
    *, user: User, name: str, days: int | None = None, by: Actor | None = None
) -> tuple[AccessToken, str]:
    """A coordinator's token, and its secret, which is shown once and not kept."""
    if not user.is_coordinator:
        raise InvalidValue(f"{user.email} is not a coordinator.", field="coordinator")
    token = AccessToken(coordinator=user)
    return _issue(token, name, days, by or ANYONE, f"coordinator {user.email}")


@transaction.atomic
def revoke_token(
    *, token: AccessToken, by: Actor | None = None, now: datetime | None = None
) -> None:
    """End a token now; revoking it again changes nothing."""
    with pghistory.context(action="token revoked", actor=(by or ANYONE).label):
        revoked = AccessToken.objects.filter(pk=token.pk, revoked_at__isnull=True).update(
            revoked_at=now or timezone.now()
        )
    if revoked:
        audit.record("token_revoked", f"Token {token.name} ({token.hint}…) revoked", by or ANYONE)
    token.refresh_from_db(fields=["revoked_at"])


def authenticate(secret: str, now: datetime) -> Actor | None:
    """The actor a token's secret stands for, or None when it is unknown, expired or revoked."""
    if not secret.isascii():
        return None
    token = (
        AccessToken.objects.select_related("site", "coordinator")
        .filter(digest=AccessToken.digest_of(secret))
        .first()
    )
    if token is None or not token.is_usable(now=now):
        return None
    if token.coordinator is not None and not token.coordinator.is_active:
        return None
    AccessToken.objects.filter(
        Q(last_used_at__isnull=True) | Q(last_used_at__lt=now - LAST_USE_EVERY), pk=token.pk
    ).update(last_used_at=now)
    return Actor(user=token.coordinator, site=token.site, token=token)


@transaction.atomic
def create_coordinator(email: str, name: str, password: str | None = None) -> User:
    """A coordinator's account. One that is there already gets the role, and the password if given.

    Without a password nobody can sign in until one is set. Raises InvalidValue.
    """
    email = email.strip().lower()
    require_email(email)
    user = User.objects.filter(email=email).first()
    if user is None:
        user = User(email=email, name=name)
        user.set_unusable_password()
    if password is not None:
        require_good_password(password, user)
        user.set_password(password)
    user.is_coordinator = True
    user.name = user.name or name
    user.save()
    audit.record("coordinator_created", f"{email} is a coordinator", Actor(user=user))
    return user


@transaction.atomic
def _issue(
    token: AccessToken, name: str, days: int | None, by: Actor, owner: str
) -> tuple[AccessToken, str]:
    name = name.strip()
    if not 1 <= len(name) <= 100:
        raise InvalidValue("Give the token a name of 1 to 100 characters.", field="name")
    if days is not None and not 1 <= days <= LONGEST_TOKEN_DAYS:
        raise InvalidValue(f"Give 1 to {LONGEST_TOKEN_DAYS} days.", field="days")
    secret = AccessToken.new_secret()
    token.name, token.digest, token.hint = name, AccessToken.digest_of(secret), secret[:HINT_LENGTH]
    token.expires_at = None if days is None else timezone.now() + timedelta(days=days)
    token.save()
    audit.record("token_issued", f"Token {name} ({token.hint}…) for {owner}", by)
    return token, secret


def require_email(email: str) -> None:
    """Raises InvalidValue."""
    try:
        validate_email(email)
    except ValidationError:
        raise InvalidValue(f"{email[:100]!r} is not an e-mail address.", field="email") from None


def require_good_password(password: str, user: User) -> None:
    """Raises InvalidValue with what Django's validators say."""
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise InvalidValue(" ".join(error.messages), field="password") from None
