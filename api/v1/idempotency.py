"""A retried request with the same `Idempotency-Key` gets the first answer again."""

import hashlib
from collections.abc import Callable
from typing import Any

from rest_framework.request import Request
from rest_framework.response import Response

from api.v1.errors import PROBLEM, problem_of
from registry.errors import InvalidValue
from registry.permissions import Actor
from registry.services.idempotency import Answer, answered_once

KEY_LENGTH = 100


def respond_once(
    request: Request, actor: Actor, body: bytes, produce: Callable[[], Answer]
) -> Response:
    """Produce the answer, or repeat the stored one when the key has been seen with this body."""
    key = request.headers.get("Idempotency-Key", "").strip()
    if not key:
        return _response(produce())
    if len(key) > KEY_LENGTH or not key.isprintable():
        raise InvalidValue(f"An Idempotency-Key has at most {KEY_LENGTH} printable characters.")
    answer = answered_once(
        actor=actor,
        key=key,
        request_sha256=_fingerprint(request, body),
        produce=lambda: _with_refusals(produce),
    )
    return _response(answer)


def _with_refusals(produce: Callable[[], Answer]) -> Answer:
    """A refusal is an answer too, and is repeated like one; an unforeseen error is not."""
    try:
        return produce()
    except Exception as error:
        refused = problem_of(error)
        if refused is None or refused["status"] in (409, 429, 503):
            raise
        return Answer(refused["status"], refused)


def _fingerprint(request: Request, body: bytes) -> str:
    head = f"{request.method} {request.get_full_path()} {request.content_type}\n"
    return hashlib.sha256(head.encode() + body).hexdigest()


def _response(answer: Answer) -> Response:
    options: dict[str, Any] = {"content_type": PROBLEM} if answer.status >= 400 else {}
    return Response(answer.body, status=answer.status, headers=answer.headers, **options)
