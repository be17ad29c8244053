"""The stored package of a release: where it lies, and single members read out of it."""

import json
import zipfile
from pathlib import Path
from typing import Any

from django.conf import settings

from registry.errors import NotFound
from registry.models import Release
from registry.packages.errors import PackageFault

# JSON members that are served by themselves, by the word that names them in an address.
DOCUMENTS = {
    "datacite": "datacite.json",
    "dataset": "dataset.jsonld",
    "changes": "changes.json",
    "datapackage": "datapackage.json",
    "estimates": "estimates.json",
}


def package_path(release: Release) -> Path:
    """Raises NotFound when the file is not on this server."""
    path = Path(settings.RELEASES_DIR) / release.package_name
    if not path.is_file():
        raise NotFound(f"The package {path.name} is not on this server; ask its operator.")
    return path


def document(release: Release, word: str) -> dict[str, Any]:
    """One of `DOCUMENTS` as it was frozen. Raises PackageFault when it cannot be read."""
    try:
        with zipfile.ZipFile(package_path(release)) as package:
            return dict(json.loads(package.read(DOCUMENTS[word])))
    except (OSError, KeyError, ValueError, zipfile.BadZipFile) as error:
        raise PackageFault(f"{release.package_name} cannot be read: {error!r}") from error
