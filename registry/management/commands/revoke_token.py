"""`coheap revoke_token`: ends a token now, named by its first characters as lists show them."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.models import AccessToken
from registry.services import access


class Command(BaseCommand):
    help = "End a site's or a coordinator's token at once."

    def add_arguments(self, parser: ArgumentParser) -> None:
        owner = parser.add_mutually_exclusive_group(required=True)
        owner.add_argument("--site", metavar="CODE")
        owner.add_argument("--coordinator", metavar="EMAIL")
        parser.add_argument("--hint", required=True, help="the token's first characters, ch_…")

    def handle(self, *args: Any, **options: Any) -> None:
        tokens = AccessToken.objects.filter(revoked_at__isnull=True, hint=options["hint"][:8])
        if options["site"]:
            tokens = tokens.filter(site__code=options["site"])
        else:
            tokens = tokens.filter(coordinator__email=options["coordinator"].strip().lower())
        found = list(tokens)
        if not found:
            raise CommandError("There is no such token in use. Check the owner and the hint.")
        for token in found:
            access.revoke_token(token=token)
            self.stdout.write(f"Token {token} no longer works.")
