"""Tokens and accounts."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from registry.errors import InvalidValue
from registry.models import AccessToken, AuditEvent, User
from registry.services import access
from tests import factories

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
PASSWORD = "a long and odd sentence 7"


@pytest.fixture(autouse=True)
def _today() -> object:
    with time_machine.travel(NOW, tick=False):
        yield


def test_a_site_token_stands_for_its_lab() -> None:
    site = factories.Site()

    token, secret = access.issue_site_token(site=site, name=" balance room ")
    actor = access.authenticate(secret, NOW)

    assert actor is not None
    assert (actor.site, actor.user, actor.token) == (site, None, token)
    assert token.name == "balance room"


def test_a_coordinators_token_stands_for_the_coordinator() -> None:
    user = factories.User(is_coordinator=True)

    _, secret = access.issue_coordinator_token(user=user, name="script")
    actor = access.authenticate(secret, NOW)

    assert actor is not None
    assert (actor.site, actor.user, actor.is_coordinator) == (None, user, True)


def test_only_a_hash_of_the_secret_is_stored() -> None:
    token, secret = access.issue_site_token(site=factories.Site(), name="balance room")

    stored = AccessToken.objects.filter(pk=token.pk).values().get()
    assert secret not in map(str, stored.values())
    assert secret.startswith(token.hint)
    assert len(token.hint) < len(secret) / 4
    assert secret not in AuditEvent.objects.get().summary


@pytest.mark.parametrize("secret", ["", "ch_unknown", "ch_" + "x" * 10_000, "\ud800", "a\0b"])
def test_an_unknown_secret_stands_for_nobody(secret: str) -> None:
    assert access.authenticate(secret, NOW) is None


def test_a_token_ends_on_its_day() -> None:
    _, secret = access.issue_site_token(site=factories.Site(), name="balance room", days=30)

    assert access.authenticate(secret, NOW + timedelta(days=30, seconds=-1)) is not None
    assert access.authenticate(secret, NOW + timedelta(days=30)) is None


def test_a_revoked_token_stands_for_nobody_from_then_on() -> None:
    token, secret = access.issue_site_token(site=factories.Site(), name="balance room")

    access.revoke_token(token=token)
    access.revoke_token(token=token, now=NOW + timedelta(days=1))

    assert access.authenticate(secret, NOW) is None
    assert token.revoked_at == NOW
    assert AuditEvent.objects.filter(action="token_revoked").count() == 1


def test_the_token_of_someone_who_left_stands_for_nobody() -> None:
    user = factories.User(is_coordinator=True)
    _, secret = access.issue_coordinator_token(user=user, name="script")

    User.objects.filter(pk=user.pk).update(is_active=False)

    assert access.authenticate(secret, NOW) is None


def test_last_use_is_noted_at_most_once_a_minute() -> None:
    token, secret = access.issue_site_token(site=factories.Site(), name="balance room")

    for seconds in (0, 59, 61):
        access.authenticate(secret, NOW + timedelta(seconds=seconds))

    token.refresh_from_db()
    assert token.last_used_at == NOW + timedelta(seconds=61)
    access.authenticate(secret, NOW + timedelta(seconds=90))
    token.refresh_from_db()
    assert token.last_used_at == NOW + timedelta(seconds=61)


@pytest.mark.parametrize(("name", "days"), [("", None), ("x" * 101, None), ("a", 0), ("a", 99_999)])
def test_a_token_needs_a_name_and_a_sensible_term(name: str, days: int | None) -> None:
    with pytest.raises(InvalidValue):
        access.issue_site_token(site=factories.Site(), name=name, days=days)

    assert not AccessToken.objects.exists()


def test_a_coordinators_token_is_for_coordinators() -> None:
    with pytest.raises(InvalidValue):
        access.issue_coordinator_token(user=factories.User(), name="script")


def test_a_coordinator_signs_in_with_the_password_given() -> None:
    user = access.create_coordinator("Ann@Example.org", "Ann", PASSWORD)

    assert (user.email, user.is_coordinator) == ("ann@example.org", True)
    assert user.check_password(PASSWORD)


def test_without_a_password_nobody_signs_in() -> None:
    assert not access.create_coordinator("ann@example.org", "Ann").has_usable_password()


def test_an_account_that_is_there_gets_the_role_and_keeps_its_password() -> None:
    factories.User(email="ann@example.org").set_password(PASSWORD)
    person = User.objects.get()
    person.set_password(PASSWORD)
    person.save()

    again = access.create_coordinator("ANN@example.org", "Ann")

    assert (again, again.is_coordinator) == (person, True)
    assert again.check_password(PASSWORD)


@pytest.mark.parametrize(
    ("email", "password", "field"),
    [("nobody", PASSWORD, "email"), ("ann@example.org", "12345678", "password")]
    + [("ann@example.org", "password1234", "password")],
)
def test_a_wrong_address_or_an_easy_password_is_refused(
    email: str, password: str, field: str
) -> None:
    with pytest.raises(InvalidValue) as refusal:
        access.create_coordinator(email, "Ann", password)

    assert refusal.value.field == field
    assert not User.objects.exists()
