"""The commands of an operator."""

import io
import re

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.utils import timezone

from registry.models import User
from registry.services import access
from tests import factories

pytestmark = pytest.mark.django_db


def _run(*words: str) -> str:
    out = io.StringIO()
    call_command(*words, stdout=out, stderr=io.StringIO())
    return out.getvalue()


def test_issue_token_prints_a_working_token_alone() -> None:
    site = factories.Site(code="NORTH")

    printed = _run("issue_token", "--site", "NORTH", "--name", "balance room", "--days", "5")

    assert re.fullmatch(r"ch_[A-Za-z0-9_-]{43}\n", printed)
    actor = access.authenticate(printed.strip(), timezone.now())
    assert actor is not None
    assert actor.site == site


def test_issue_token_for_a_coordinator() -> None:
    user = factories.User(email="ann@example.org", is_coordinator=True)

    printed = _run("issue_token", "--coordinator", "Ann@example.org", "--name", "script")

    actor = access.authenticate(printed.strip(), timezone.now())
    assert actor is not None
    assert actor.user == user


@pytest.mark.parametrize(
    "words",
    [
        ("--site", "NOWHERE", "--name", "a"),
        ("--coordinator", "nobody@example.org", "--name", "a"),
        ("--coordinator", "member@example.org", "--name", "a"),
        ("--site", "NORTH", "--name", " "),
        ("--site", "NORTH", "--name", "a", "--days", "0"),
        ("--name", "a"),
        ("--site", "NORTH", "--coordinator", "member@example.org", "--name", "a"),
    ],
)
def test_issue_token_says_what_is_wrong(words: tuple[str, ...]) -> None:
    factories.Site(code="NORTH")
    factories.User(email="member@example.org")

    with pytest.raises(CommandError):
        _run("issue_token", *words)


def test_create_coordinator_reads_the_password_from_standard_input(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("a long and odd sentence 7\n"))

    printed = _run("create_coordinator", "ann@example.org", "--name", "Ann")

    user = User.objects.get()
    assert (user.email, user.name, user.is_coordinator) == ("ann@example.org", "Ann", True)
    assert user.check_password("a long and odd sentence 7")
    assert printed == ""


def test_create_coordinator_refuses_an_easy_password(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("12345\n"))

    with pytest.raises(CommandError):
        _run("create_coordinator", "ann@example.org")

    assert not User.objects.exists()


def test_create_coordinator_prints_a_link_that_sets_a_password_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    browser = Client()

    link = _run("create_coordinator", "ann@example.org").strip()
    path = "/" + link.split("/", 3)[3]
    form = browser.get(path, follow=True)
    password = "a long and odd sentence 7"
    browser.post(form.request["PATH_INFO"], {"new_password1": password, "new_password2": password})

    assert User.objects.get().check_password(password)
    assert "new_password1" not in browser.get(path, follow=True).content.decode()
