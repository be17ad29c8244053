"""`coheap pool TRIAL [--wait]`: ask for pooling; with --wait, show how it goes."""

import time
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.errors import RegistryError
from registry.jobs.pooling import request_pooling
from registry.management.acting import as_coordinator_of
from registry.management.progress import progress_bar
from registry.models import PoolingRun, RunState

POLL_SECONDS = 0.5


class Command(BaseCommand):
    help = "Request pooling of a trial; the same data give the run there is."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("trial")
        parser.add_argument("--wait", action="store_true", help="show progress until it is done")

    def handle(self, *args: Any, **options: Any) -> None:
        trial, actor = as_coordinator_of(options["trial"])
        try:
            run, created = request_pooling(trial=trial, by=actor)
        except RegistryError as refusal:
            raise CommandError(refusal.message) from refusal
        self.stdout.write(f"pooling run {run.pk}: {'new' if created else run.state}")
        if options["wait"]:
            self._wait(run)

    def _wait(self, run: PoolingRun) -> None:
        while run.state in (RunState.QUEUED, RunState.RUNNING):
            self.stdout.write("\r" + _bar(run), ending="")
            self.stdout.flush()
            time.sleep(POLL_SECONDS)
            run.refresh_from_db()
        self.stdout.write("\r" + _bar(run))
        if run.state == RunState.FAILED:
            raise CommandError(run.error)


def _bar(run: PoolingRun) -> str:
    finished = run.total == 0 and run.state == RunState.DONE
    done, total = (1, 1) if finished else (run.done, run.total)
    return progress_bar(done, total, before=f"{run.state:8} ", after=run.stage)
