"""A stored file that never changes: sent whole, in part, or not at all when it is known.

RFC 9110: `Range` (one range of bytes), `If-Range`, `If-None-Match`. A broken download goes on where
it stopped: `curl -C - -OJ …`.
"""

import base64
import re
from collections.abc import Iterator
from pathlib import Path

from django.http import FileResponse, HttpResponse, HttpResponseBase, StreamingHttpResponse
from rest_framework.request import Request

CHUNK_BYTES = 256 * 1024
_RANGE = re.compile(r"bytes=(\d*)-(\d*)")


def stored_file(request: Request, path: Path, *, media_type: str, sha256: str) -> HttpResponseBase:
    """Answer with a file whose checksum is known; more ranges than one get the whole of it."""
    etag = f'"{sha256}"'
    if etag in request.headers.get("If-None-Match", ""):
        return _described(HttpResponse(status=304), path, etag, media_type)
    size = path.stat().st_size
    wanted = _range(request, etag)
    if wanted is None:
        whole = FileResponse(path.open("rb"), as_attachment=True, filename=path.name)
        return _described(whole, path, etag, media_type)
    first, last = _bounds(wanted, size)
    if first > last:
        refused = HttpResponse(status=416, headers={"Content-Range": f"bytes */{size}"})
        return _described(refused, path, etag, media_type)
    part = StreamingHttpResponse(_part(path, first, last), status=206)
    part["Content-Range"] = f"bytes {first}-{last}/{size}"
    part["Content-Length"] = str(last - first + 1)
    return _described(part, path, etag, media_type)


def _described(
    response: HttpResponseBase, path: Path, etag: str, media_type: str
) -> HttpResponseBase:
    response["ETag"] = etag
    response["Accept-Ranges"] = "bytes"
    if response.status_code in (200, 206):
        response["Content-Type"] = media_type
        response["Content-Disposition"] = f'attachment; filename="{path.name}"'
        response["Repr-Digest"] = f"sha-256=:{_base64(etag)}:"
    return response


def _base64(etag: str) -> str:
    """RFC 9530 writes a digest in base 64."""
    return base64.b64encode(bytes.fromhex(etag.strip('"'))).decode()


def _range(request: Request, etag: str) -> tuple[str, str] | None:
    """First and last byte as sent, either may be blank; None when the whole file is meant."""
    found = _RANGE.fullmatch(request.headers.get("Range", "").replace(" ", ""))
    if found is None or found.groups() == ("", ""):
        return None
    # The part of another version is of no use: send the whole of this one.
    if request.headers.get("If-Range", etag) != etag:
        return None
    return found[1], found[2]


def _bounds(wanted: tuple[str, str], size: int) -> tuple[int, int]:
    """First and last byte to send; first above last when there are none."""
    first, last = wanted
    if not first:
        count = min(int(last), size)
        return (size - count, size - 1) if count else (1, 0)
    start = int(first)
    end = min(int(last), size - 1) if last else size - 1
    return (start, end) if start < size else (1, 0)


def _part(path: Path, first: int, last: int) -> Iterator[bytes]:
    with path.open("rb") as file:
        file.seek(first)
        left = last - first + 1
        while left and (chunk := file.read(min(CHUNK_BYTES, left))):
            left -= len(chunk)
            yield chunk
