"""`coheap release TRIAL`: freeze the pooled data as the next version."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.errors import RegistryError
from registry.management.acting import as_coordinator_of
from registry.services.releases import freeze_release


class Command(BaseCommand):
    help = "Freeze a trial's pooled data and estimates as the next version."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("trial")
        parser.add_argument("--notes", default="")

    def handle(self, *args: Any, **options: Any) -> None:
        trial, actor = as_coordinator_of(options["trial"])
        try:
            release = freeze_release(trial=trial, by=actor, notes=options["notes"])
        except RegistryError as refusal:
            raise CommandError(refusal.message) from refusal
        self.stdout.write(f"{release}: {release.package_name}, sha256 {release.package_sha256}")
