"""Photos and their thumbnails in files, under the name of the photo's SHA-256."""

import hashlib
import os
import secrets
from pathlib import Path

from django.conf import settings

from registry.intake.photos import CleanPhoto

PHOTO, THUMBNAIL = "photo", "thumbnail"
SUFFIXES = {PHOTO: ".jpg", THUMBNAIL: "-small.jpg"}


def keep(photo: CleanPhoto) -> str:
    """Write both files whole, the photo last, and return its SHA-256. The same one is kept once."""
    digest = hashlib.sha256(photo.photo).hexdigest()
    path_of(digest).parent.mkdir(parents=True, exist_ok=True)
    _write(path_of(digest, THUMBNAIL), photo.thumbnail)
    _write(path_of(digest), photo.photo)
    return digest


def erase(digest: str) -> None:
    """Remove both files; that they are gone already is no fault."""
    for size in SUFFIXES:
        path_of(digest, size).unlink(missing_ok=True)


def path_of(digest: str, size: str = PHOTO) -> Path:
    return Path(settings.PHOTOS_DIR) / digest[:2] / f"{digest}{SUFFIXES[size]}"


def _write(path: Path, content: bytes) -> None:
    draft = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    try:
        with draft.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
