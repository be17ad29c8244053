"""`coheap create_coordinator EMAIL`: password on standard input, or a one-time link."""

import sys
from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.contrib.auth.tokens import default_token_generator
from django.core.management.base import BaseCommand, CommandError
from django.urls import NoReverseMatch, reverse
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode

from registry.errors import InvalidValue
from registry.models import User
from registry.services import access

# The page where a person sets a first password; config composes the address.
LINK_VIEW = "frontend:set-password"


class Command(BaseCommand):
    help = "Make someone a coordinator: password on standard input, or a printed one-time link."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("email")
        parser.add_argument("--name", default="", help="as shown on pages; default: the address")

    def handle(self, *args: Any, **options: Any) -> None:
        password = _password_on_standard_input()
        try:
            user = access.create_coordinator(options["email"], options["name"], password)
        except InvalidValue as error:
            raise CommandError(error.message) from error
        if password is None:
            self.stdout.write(_one_time_link(user))
        else:
            self.stderr.write(f"{user.email} is a coordinator.")


def _password_on_standard_input() -> str | None:
    """The first line of a pipe or file; None at a terminal or when nothing is piped in."""
    if sys.stdin is None or sys.stdin.closed or sys.stdin.isatty():
        return None
    return sys.stdin.readline().rstrip("\r\n") or None


def _one_time_link(user: User) -> str:
    identity = urlsafe_base64_encode(force_bytes(user.pk))
    token = default_token_generator.make_token(user)
    try:
        return settings.BASE_URL + reverse(LINK_VIEW, args=[identity, token])
    except NoReverseMatch as error:
        raise CommandError(
            "This installation has no page to set a password; give one on standard input."
        ) from error
