"""The stored package of a release: where it lies, and single members read out of it."""

import json
import zipfile
import zlib
from pathlib import Path
from typing import Any

from django.conf import settings

from registry.errors import NotFound, PackageUnreadable
from registry.models import Release
from registry.packages.archive import sha256_of

# JSON members that are served by themselves, by the word that names them in an address.
DOCUMENTS = {
    "datacite": "datacite.json",
    "dataset": "dataset.jsonld",
    "changes": "changes.json",
    "datapackage": "datapackage.json",
    "estimates": "estimates.json",
}

# What reading a member of a damaged zip may raise.
DAMAGE = (
    *(OSError, EOFError, KeyError, ValueError, RuntimeError),
    *(zipfile.BadZipFile, zlib.error),
)


def package_path(release: Release) -> Path:
    """Raises NotFound when the file is not on this server."""
    path = Path(settings.RELEASES_DIR) / release.package_name
    if not path.is_file():
        raise NotFound(f"The package {path.name} is not on this server; ask its operator.")
    return path


def whole_package(release: Release) -> Path:
    """The same, of the size it was frozen with. Raises PackageUnreadable when it is another."""
    path = package_path(release)
    if path.stat().st_size != release.package_bytes:
        raise _damaged(release)
    return path


def verified_package(release: Release) -> Path:
    """The same, byte for byte as it was frozen. Raises PackageUnreadable when it is not."""
    path = whole_package(release)
    if sha256_of(path) != release.package_sha256:
        raise _damaged(release)
    return path


def document(release: Release, word: str) -> dict[str, Any]:
    """One of `DOCUMENTS` as it was frozen. Raises PackageUnreadable when it cannot be read."""
    try:
        with zipfile.ZipFile(package_path(release)) as package:
            return dict(json.loads(package.read(DOCUMENTS[word])))
    except DAMAGE as error:
        raise _damaged(release) from error


def _damaged(release: Release) -> PackageUnreadable:
    return PackageUnreadable(
        f"The package {release.package_name} is damaged on this server; ask its operator to put "
        f"the file with SHA-256 {release.package_sha256} back."
    )
