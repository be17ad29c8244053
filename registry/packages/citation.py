"""How to cite a release: `CITATION.cff` and `datacite.json`.

Sources: Citation File Format 1.2.0; DataCite Metadata Schema 4.5. A release has no DOI of its own:
whoever deposits it gets one, and adds it.
"""

import json
from typing import Any

from registry.packages.meta import Contributor, ReleaseMeta

PUBLISHER = "Coheap"
ROR_SCHEME = "https://ror.org"


def citation_cff(meta: ReleaseMeta) -> str:
    """The release in the Citation File Format. JSON strings are valid YAML scalars."""
    lines = [
        "cff-version: 1.2.0",
        "message: If you use these data, please cite this release by its version.",
        "type: dataset",
        f"title: {_quoted(meta.full_title)}",
        f'version: "{meta.version}"',
        f"date-released: {meta.created_at:%Y-%m-%d}",
        f"license: {meta.licence}",
        "keywords:",
        *(f"  - {_quoted(word)}" for word in meta.keywords),
        "authors:",
    ]
    for item in meta.contributors:
        lines.append(f"  - name: {_quoted(item.name)}")
        if item.country:
            lines.append(f"    country: {item.country}")
        if item.ror:
            lines.append(f"    website: {_quoted(item.ror)}")
    if meta.url:
        lines.append(f"url: {_quoted(meta.url)}")
    return "\n".join(lines) + "\n"


def datacite(meta: ReleaseMeta) -> dict[str, Any]:
    """The release as DataCite metadata, ready for a DOI to be added."""
    day = f"{meta.created_at:%Y-%m-%d}"
    record: dict[str, Any] = {
        "schemaVersion": "http://datacite.org/schema/kernel-4",
        "types": {"resourceTypeGeneral": "Dataset", "resourceType": "Multi-site compost trial"},
        "creators": [_creator(item) for item in meta.contributors],
        "titles": [{"title": meta.full_title, "lang": "en"}],
        "publisher": {"name": PUBLISHER},
        "publicationYear": f"{meta.created_at:%Y}",
        "version": str(meta.version),
        "language": "en",
        "subjects": [{"subject": word} for word in meta.keywords],
        "dates": [
            {"date": day, "dateType": "Issued"},
            {"date": day, "dateType": "Created"},
        ],
        "formats": ["text/csv", "application/vnd.apache.parquet", "application/json"],
        "rightsList": [
            {
                "rights": meta.licence_title,
                "rightsUri": meta.licence_url,
                "rightsIdentifier": meta.licence,
                "rightsIdentifierScheme": "SPDX",
                "schemeUri": "https://spdx.org/licenses/",
            }
        ],
        "descriptions": [
            {
                "description": meta.notes or f"Release {meta.version} of trial {meta.trial}.",
                "descriptionType": "Abstract",
                "lang": "en",
            }
        ],
        "alternateIdentifiers": [
            {"alternateIdentifier": meta.name, "alternateIdentifierType": "Release name"}
        ],
    }
    if meta.url:
        record["alternateIdentifiers"].append(
            {"alternateIdentifier": meta.url, "alternateIdentifierType": "URL"}
        )
    return record


def _creator(item: Contributor) -> dict[str, Any]:
    creator: dict[str, Any] = {"name": item.name, "nameType": "Organizational"}
    if item.ror:
        creator["nameIdentifiers"] = [
            {
                "nameIdentifier": item.ror,
                "nameIdentifierScheme": "ROR",
                "schemeUri": ROR_SCHEME,
            }
        ]
    return creator


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
