"""`coheap worker`: the background worker of a deployment, with the clock that wakes the sweep."""

import os
import sys
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from registry.embedded.worker import APPLICATION, ONE_THREAD, PROCESSES, celery_arguments


class Command(BaseCommand):
    help = "Take up background jobs (worker) and wake the sweep every 15 seconds (beat)."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--processes", type=int, default=PROCESSES, help="jobs side by side")
        parser.add_argument(
            "--only", choices=["worker", "beat"], help="run the two in processes of their own"
        )

    def handle(self, *, processes: int, only: str | None, **options: Any) -> None:
        if only == "beat":
            arguments = ["--quiet", f"--app={APPLICATION}", "beat", "--loglevel=INFO"]
        else:
            arguments = celery_arguments(processes=processes, beat=only is None, level="INFO")
        # A fresh process: the number of threads must be known before numpy is loaded.
        command = [sys.executable, "-m", "celery", *arguments]
        os.execve(sys.executable, command, {**os.environ, **ONE_THREAD})
