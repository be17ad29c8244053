"""Two questions of a load balancer: is the process alive, and can it do its work?"""

import os
from collections.abc import Callable

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from kombu.exceptions import OperationalError

from registry.config.celery import app
from registry.embedded.binaries import EmbeddedPostgresError

RETRY_AFTER_SECONDS = 5


class NotReady(Exception):
    """One of the checks found a fault; the message is safe to show to a stranger."""


@require_safe
@never_cache
def live(request: HttpRequest) -> JsonResponse:
    """200 as long as the process answers; it asks nothing of its surroundings."""
    return JsonResponse({"status": "live"})


@require_safe
@never_cache
def ready(request: HttpRequest) -> JsonResponse:
    """200 when database, migrations and broker are in order, else 503 and which is not."""
    checks = {name: _answer(check) for name, check in CHECKS.items()}
    faults = {name: answer for name, answer in checks.items() if answer != "ok"}
    if not faults:
        return JsonResponse({"status": "ready", "checks": checks})
    problem = {
        "type": "about:blank",
        "title": "Not ready",
        "status": 503,
        "code": "not_ready",
        "detail": "; ".join(f"{name}: {answer}" for name, answer in faults.items()),
        "checks": checks,
    }
    return JsonResponse(
        problem,
        status=503,
        content_type="application/problem+json",
        headers={"Retry-After": str(RETRY_AFTER_SECONDS)},
    )


def _answer(check: Callable[[], None]) -> str:
    try:
        check()
    except NotReady as fault:
        return str(fault)
    return "ok"


def _check_database() -> None:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except (DatabaseError, EmbeddedPostgresError) as error:
        raise NotReady("does not answer") from error


def _check_migrations() -> None:
    try:
        executor = MigrationExecutor(connection)
        pending = executor.migration_plan(executor.loader.graph.leaf_nodes())
    except (DatabaseError, EmbeddedPostgresError) as error:
        raise NotReady("unknown, the database does not answer") from error
    if pending:
        raise NotReady(f"{len(pending)} not applied; run coheap migrate")


def _check_broker() -> None:
    if not settings.EXTERNAL_BROKER:
        if not os.access(settings.QUEUE_DIR, os.W_OK):
            raise NotReady("the queue folder cannot be written")
        return
    try:
        with app.connection_for_write() as broker:
            broker.ensure_connection(max_retries=1, interval_start=0, timeout=2)
    except (OperationalError, OSError) as error:
        raise NotReady("does not answer") from error


CHECKS = {
    "database": _check_database,
    "migrations": _check_migrations,
    "broker": _check_broker,
}
