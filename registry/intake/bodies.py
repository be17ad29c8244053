"""The original bytes of every upload, kept in files under the name of their SHA-256.

In files, not in the database: a dump of the registry should not carry every logger download twice.
"""

import gzip
import hashlib
import os
import secrets
from pathlib import Path

from django.conf import settings

# Measured on retrieval files: level 1 takes a tenth of the time of level 6 for 1.2 times the size.
LEVEL = 1


def digest_of(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()


def keep(body: bytes) -> str:
    """Write the body whole or not at all, and return its SHA-256. The same body is kept once."""
    digest = digest_of(body)
    path = _path(digest)
    if path.exists():
        return digest
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{digest}.{secrets.token_hex(8)}")
    try:
        with draft.open("wb") as file:
            file.write(gzip.compress(body, LEVEL, mtime=0))
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
    return digest


def read(digest: str) -> bytes:
    """The body with this SHA-256; raises FileNotFoundError when it was never kept."""
    return gzip.decompress(_path(digest).read_bytes())


def _path(digest: str) -> Path:
    return Path(settings.UPLOADS_DIR) / digest[:2] / f"{digest}.gz"
