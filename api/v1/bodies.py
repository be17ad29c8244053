"""The bytes of a request: size and compression checked before anything is read into memory."""

import zlib
from collections.abc import Collection
from typing import IO, Any

from django.conf import settings
from django.http import UnreadablePostError
from rest_framework.parsers import BaseParser
from rest_framework.request import Request

from registry.errors import BodyTooLarge, UnreadableBody, UnsupportedFormat

CHUNK = 256 * 1024
JSON = "application/json"
BULK_TYPES = ("text/csv", "application/x-ndjson", JSON)


class RawBody(BaseParser):
    """Hands the stream through; the view reads it with `read_body`."""

    media_type = "*/*"

    def parse(self, stream: IO[bytes], media_type: Any = None, parser_context: Any = None) -> Any:
        return stream


def media_type(request: Request, accepted: Collection[str] = BULK_TYPES) -> str:
    """The bare content type; an empty one counts as JSON."""
    sent = (request.content_type or JSON).partition(";")[0].strip().lower()
    if sent not in accepted:
        raise UnsupportedFormat(
            f"Content-Type {sent!r} is not accepted; send one of: {', '.join(accepted)}."
        )
    return sent


def read_body(request: Request, *, most_bytes: int | None = None) -> bytes:
    """The body, decompressed. Raises BodyTooLarge as soon as it is known to be too large."""
    most_bytes = most_bytes or settings.MAX_UPLOAD_BYTES
    encoding = request.headers.get("Content-Encoding", "identity").strip().lower()
    if encoding not in ("identity", "", "gzip"):
        raise UnsupportedFormat(f"Content-Encoding {encoding!r} is not accepted; use gzip or none.")
    if _declared_length(request) > most_bytes:
        raise _too_large("body", most_bytes)
    unpack = zlib.decompressobj(wbits=31) if encoding == "gzip" else None
    return _read(request, unpack, most_bytes)


def _declared_length(request: Request) -> int:
    declared = request.META.get("CONTENT_LENGTH") or "0"
    return int(declared) if declared.isdigit() else 0


def _read(request: Request, unpack: Any, most_bytes: int) -> bytes:
    """Read chunk by chunk; a small body that unpacks to a huge one is stopped on the way."""
    parts: list[bytes] = []
    received = size = 0
    while chunk := request._request.read(CHUNK):
        received += len(chunk)
        if received > most_bytes:
            raise _too_large("body", most_bytes)
        for part in _unpacked(chunk, unpack):
            size += len(part)
            if size > settings.MAX_UNPACKED_BYTES:
                raise _too_large("unpacked body", settings.MAX_UNPACKED_BYTES)
            parts.append(part)
    if received < _declared_length(request):
        # The rows that did arrive would pass for a shorter file.
        raise UnreadablePostError("The connection broke off before the whole body had arrived.")
    if unpack is not None and not unpack.eof:
        raise UnreadableBody("The gzip data ends too early; send it again.", code="bad_gzip")
    return b"".join(parts)


def _unpacked(chunk: bytes, unpack: Any) -> Any:
    if unpack is None:
        yield chunk
        return
    try:
        yield unpack.decompress(chunk, CHUNK)
        while unpack.unconsumed_tail:
            yield unpack.decompress(unpack.unconsumed_tail, CHUNK)
    except zlib.error as problem:
        raise UnreadableBody(
            "The body is declared as gzip but is not.", code="bad_gzip"
        ) from problem


def _too_large(what: str, limit: int) -> BodyTooLarge:
    return BodyTooLarge(
        f"The {what} is larger than {limit / 1_000_000:.0f} MB; send it in parts, or smaller."
    )
