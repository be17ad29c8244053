"""`coheap serve`: the web server and, when no broker is configured, a background worker."""

import signal
import socket
import time
from argparse import ArgumentParser
from contextlib import closing
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from registry.config.static_files import collect_changed
from registry.embedded.children import Child, Keeper
from registry.embedded.worker import ONE_THREAD, embedded_worker

# Ctrl-C is a person waiting; SIGTERM is a supervisor, which mostly allows ten seconds.
# The worker gets the short time in both: idle, it would still take six seconds (Celery looks up
# every two), and a job cut off is taken up again.
QUICK_STOP_SECONDS = 1.0
PATIENT_STOP_SECONDS = 8.0
THREADS = 4
START_SECONDS = 60.0
POLL_SECONDS = 0.1


class Command(BaseCommand):
    help = "Serve the pages and the API, with a background worker when BROKER_URL is not set."
    # `make check` runs them; here they would load the whole web application once more.
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--workers", type=int, default=2, help="web processes")

    def handle(self, *, host: str, port: int, workers: int, **options: Any) -> None:
        _refuse_taken_port(host, port)
        collect_changed()
        self._mention_pending_migrations()
        # Links in pages and files lead to where we really are, unless told otherwise.
        address = settings.BASE_URL if settings.BASE_URL_IS_GIVEN else f"http://{host}:{port}"
        environment = {"BASE_URL": address, **ONE_THREAD}
        web = _web_server(host, port, workers, environment)
        worker = None if settings.EXTERNAL_BROKER else embedded_worker(environment=environment)
        signal.signal(signal.SIGTERM, _leave)
        # A shell that starts it in the background would have it ignore Ctrl-C.
        signal.signal(signal.SIGINT, signal.default_int_handler)
        self.announcement = f"Coheap serves http://{host}:{port} (Ctrl-C stops it)."
        self._run(web, worker, (host, port))

    def _run(self, web: Child, worker: Keeper | None, endpoint: tuple[str, int]) -> None:
        patience = QUICK_STOP_SECONDS
        try:
            web.start()
            if worker:
                worker.start()
            _wait_until_live(web, endpoint)
            self.stdout.write(self.announcement)
            self.stdout.flush()
            status = web.wait()
            raise CommandError(f"The web server ended by itself (status {status}).")
        except KeyboardInterrupt:
            self.stdout.write("\nStopping.")
        except _Terminated:
            patience = PATIENT_STOP_SECONDS
        finally:
            _stop(web, worker, patience)

    def _mention_pending_migrations(self) -> None:
        executor = MigrationExecutor(connection)
        pending = executor.migration_plan(executor.loader.graph.leaf_nodes())
        connection.close()
        if pending:
            self.stderr.write(f"{len(pending)} migrations are not applied; run `coheap migrate`.")


class _Terminated(Exception):
    """SIGTERM came."""


def _leave(number: int, frame: object) -> None:
    raise _Terminated


def _refuse_taken_port(host: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with closing(socket.socket(family)) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise CommandError(
                f"Cannot serve on {host}:{port} ({error.strerror}); choose another with --port."
            ) from error


def _web_server(host: str, port: int, workers: int, environment: dict[str, str]) -> Child:
    where = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    arguments = [
        "registry.config.wsgi:application",
        "--config=python:registry.config.web_worker",
        f"--bind={where}",
        f"--workers={workers}",
        "--worker-class=gthread",
        f"--threads={THREADS}",
        "--preload",
        "--no-control-socket",
        "--log-level=warning",
        f"--graceful-timeout={int(PATIENT_STOP_SECONDS)}",
    ]
    return Child("gunicorn", arguments, environment)


def _wait_until_live(web: Child, endpoint: tuple[str, int]) -> None:
    """Return once the address answers; a web server that cannot start is reported."""
    deadline = time.monotonic() + START_SECONDS
    while not _is_open(*endpoint):
        status = web.wait(POLL_SECONDS)
        if status is not None:
            raise CommandError(f"The web server could not start (status {status}).")
        if time.monotonic() > deadline:
            raise CommandError(f"The web server was not up after {START_SECONDS:.0f} seconds.")


def _is_open(host: str, port: int) -> bool:
    # The address that means "all of mine" is asked for by this machine's own name for itself.
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    try:
        socket.create_connection((host, port), timeout=1).close()
    except OSError:
        return False
    return True


def _stop(web: Child, worker: Keeper | None, patience: float) -> None:
    """Ask both to stop at once; requests get what is left of `patience` after the worker."""
    began = time.monotonic()
    web.ask_to_stop()
    if worker:
        worker.ask_to_stop()
        worker.end(QUICK_STOP_SECONDS)
    web.end(patience - (time.monotonic() - began))
