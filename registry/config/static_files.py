"""Static files gathered for the web server, again only when one of them has changed."""

import hashlib
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.core.management import call_command


def collect_changed() -> None:
    """Gather all static files under STATIC_ROOT, hashed and compressed, unless nothing changed."""
    mark = Path(settings.STATIC_ROOT) / ".collected"
    state = _state_of_sources()
    if mark.exists() and mark.read_text() == state:
        return
    call_command("collectstatic", interactive=False, verbosity=0)
    mark.write_text(state)


def _state_of_sources() -> str:
    """A digest of every source's name, size and time of change."""
    digest = hashlib.sha256(settings.STORAGES["staticfiles"]["BACKEND"].encode())
    for finder in get_finders():
        for name, storage in finder.list([]):
            status = Path(storage.path(name)).stat()
            digest.update(f"{name}\0{status.st_size}\0{status.st_mtime_ns}\n".encode())
    return digest.hexdigest()
