"""`coheap invite`: prints the link by which one person joins a site, alone, once."""

from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.urls import reverse

from registry.errors import RegistryError
from registry.models import Site, SiteRole
from registry.permissions import ANYONE
from registry.services import members

# The page where an invitation is accepted; config composes the address.
LINK_VIEW = "frontend:join"


class Command(BaseCommand):
    help = "Invite a person to a site that nobody leads yet; only the link's hash is kept."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("email")
        parser.add_argument("--site", metavar="CODE", required=True)
        parser.add_argument("--role", choices=SiteRole.values, default=SiteRole.LEAD.value)
        parser.add_argument("--days", type=int, default=members.INVITATION_DAYS)

    def handle(self, *args: Any, **options: Any) -> None:
        site = Site.objects.filter(code=options["site"]).first()
        if site is None:
            raise CommandError(f"There is no site {options['site']}.")
        try:
            _, secret = members.invite_from_the_console(
                site=site,
                email=options["email"],
                role=options["role"],
                days=options["days"],
                by=ANYONE,
            )
        except RegistryError as error:
            raise CommandError(error.message) from error
        self.stdout.write(settings.BASE_URL + reverse(LINK_VIEW, args=[secret]))
