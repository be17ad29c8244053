"""How to cite a release: `CITATION.cff` and `datacite.json`.

Sources: Citation File Format 1.2.0; DataCite Metadata Schema 4.5. A release has no DOI of its own:
whoever deposits it gets one, and adds it.
"""

import json
from typing import Any

from registry.packages.meta import Contributor, Person, ReleaseMeta

PUBLISHER = "Coheap"
ROR_SCHEME = "https://ror.org"
ORCID_SCHEME = "https://orcid.org"


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
    for person in meta.people:
        lines.append(f"  - family-names: {_quoted(person.family_name)}")
        if person.given_names:
            lines.append(f"    given-names: {_quoted(person.given_names)}")
        lines.append(f"    orcid: {_quoted(person.orcid)}")
        if person.affiliation:
            lines.append(f"    affiliation: {_quoted(person.affiliation.name)}")
    if meta.url:
        lines.append(f"url: {_quoted(meta.url)}")
    return "\n".join(lines) + "\n"


def datacite(meta: ReleaseMeta) -> dict[str, Any]:
    """The release as DataCite metadata, ready for a DOI to be added."""
    day = f"{meta.created_at:%Y-%m-%d}"
    record: dict[str, Any] = {
        "schemaVersion": "http://datacite.org/schema/kernel-4",
        "types": {"resourceTypeGeneral": "Dataset", "resourceType": "Multi-site compost trial"},
        "creators": [
            *(_organisation(item) for item in meta.contributors),
            *(_person(item) for item in meta.people),
        ],
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
                "description": meta.description,
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
    if meta.url and meta.previous_version:
        record["relatedIdentifiers"] = [
            {
                "relatedIdentifier": previous_url(meta),
                "relatedIdentifierType": "URL",
                "relationType": "IsNewVersionOf",
                "resourceTypeGeneral": "Dataset",
            }
        ]
    return record


def previous_url(meta: ReleaseMeta) -> str:
    """The page of the version before, beside the page of this one."""
    return meta.url.rstrip("/").rpartition("/")[0] + f"/{meta.previous_version}/"


def _organisation(item: Contributor) -> dict[str, Any]:
    creator: dict[str, Any] = {"name": item.name, "nameType": "Organizational"}
    if item.ror:
        creator["nameIdentifiers"] = [_name_identifier(item.ror, "ROR", ROR_SCHEME)]
    return creator


def _person(item: Person) -> dict[str, Any]:
    names = [item.family_name, item.given_names]
    creator: dict[str, Any] = {
        "name": ", ".join(name for name in names if name),
        "nameType": "Personal",
        "familyName": item.family_name,
        "nameIdentifiers": [_name_identifier(item.orcid, "ORCID", ORCID_SCHEME)],
    }
    if item.given_names:
        creator["givenName"] = item.given_names
    if item.affiliation:
        creator["affiliation"] = [_affiliation(item.affiliation)]
    return creator


def _affiliation(item: Contributor) -> dict[str, str]:
    if not item.ror:
        return {"name": item.name}
    return {
        "name": item.name,
        "affiliationIdentifier": item.ror,
        "affiliationIdentifierScheme": "ROR",
        "schemeUri": ROR_SCHEME,
    }


def _name_identifier(identifier: str, scheme: str, uri: str) -> dict[str, str]:
    return {"nameIdentifier": identifier, "nameIdentifierScheme": scheme, "schemeUri": uri}


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
