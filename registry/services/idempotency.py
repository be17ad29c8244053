"""One answer per idempotency key, also after a crash between storing and answering.

The answer is written in the transaction that stores the data, so both exist or neither does. An
advisory lock, freed by Postgres when its session ends, marks a key as being worked on: nothing
stale can be left behind by a process that died.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from django.db import connection, transaction

from registry.errors import KeyInUse, KeyReused
from registry.models import IdempotencyRecord
from registry.permissions import Actor


@dataclass(frozen=True, slots=True)
class Answer:
    """What goes back to the caller; `body` must survive JSON."""

    status: int
    body: Any
    headers: dict[str, str] = field(default_factory=dict)


@transaction.atomic
def answered_once(
    *, actor: Actor, key: str, request_sha256: str, produce: Callable[[], Answer]
) -> Answer:
    """The stored answer of this key, or the one that `produce` gives now.

    Raises KeyReused when the key came with another request, KeyInUse while the first still runs.
    """
    if not _lock(actor.reference, key):
        raise KeyInUse("The first request with this key has not finished; ask again shortly.")
    known = IdempotencyRecord.objects.filter(actor=actor.reference, key=key).first()
    if known is not None:
        if known.request_sha256 != request_sha256:
            raise KeyReused("This key was used with another body or address; make a new key.")
        return Answer(known.status, known.answer["body"], known.answer["headers"])
    answer = produce()
    IdempotencyRecord.objects.create(
        actor=actor.reference,
        key=key,
        request_sha256=request_sha256,
        status=answer.status,
        answer={"body": answer.body, "headers": answer.headers},
    )
    return answer


def _lock(actor: str, key: str) -> bool:
    digest = hashlib.sha256(f"{actor}\n{key}".encode()).digest()
    number = int.from_bytes(digest[:8], "big", signed=True)
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [number])
        return bool(cursor.fetchone()[0])
