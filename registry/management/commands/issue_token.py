"""`coheap issue_token`: prints a new token, alone, once."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.errors import InvalidValue
from registry.models import Site, User
from registry.services import access


class Command(BaseCommand):
    help = "Issue a token to a site's lab or to a coordinator; only its hash is kept."

    def add_arguments(self, parser: ArgumentParser) -> None:
        owner = parser.add_mutually_exclusive_group(required=True)
        owner.add_argument("--site", metavar="CODE")
        owner.add_argument("--coordinator", metavar="EMAIL")
        parser.add_argument("--name", required=True, help='where it is used, as in "balance room"')
        parser.add_argument("--days", type=int, help="it ends after so many days; default: never")

    def handle(self, *args: Any, **options: Any) -> None:
        given = {"name": options["name"], "days": options["days"]}
        try:
            if options["site"]:
                _, secret = access.issue_site_token(site=_site(options["site"]), **given)
            else:
                user = _coordinator(options["coordinator"])
                _, secret = access.issue_coordinator_token(user=user, **given)
        except InvalidValue as error:
            raise CommandError(error.message) from error
        self.stdout.write(secret)


def _site(code: str) -> Site:
    site = Site.objects.filter(code=code).first()
    if site is None:
        raise CommandError(f"There is no site {code}.")
    return site


def _coordinator(email: str) -> User:
    user = User.objects.filter(email=email.strip().lower()).first()
    if user is None:
        raise CommandError(f"There is no coordinator {email}.")
    return user
