"""A release in schema.org's words, for search engines: the `Dataset` of its page.

Source: schema.org Dataset; the properties that dataset search reads are all given.
"""

from typing import Any

from registry.packages.citation import PUBLISHER, previous_url
from registry.packages.meta import Contributor, Person, ReleaseMeta

MEASURED = (
    ("fraction of the dry mass remaining in a mesh bag", "1"),
    ("first-order decay rate", "1/d"),
    ("days until 90 % of the dry mass is lost", "d"),
    ("temperature of the pile", "Cel"),
    ("visual fragmentation class, 0 to 5", "1"),
)
TECHNIQUE = "mesh-bag retrieval from working compost piles, sieved, dried and weighed"


def dataset_jsonld(meta: ReleaseMeta) -> dict[str, Any]:
    """JSON-LD of the release; addresses only when the release has one."""
    described: dict[str, Any] = {
        "@context": "https://schema.org/",
        "@type": "Dataset",
        "name": meta.full_title,
        "description": meta.description,
        "identifier": meta.name,
        "version": str(meta.version),
        "datePublished": f"{meta.created_at:%Y-%m-%d}",
        "license": meta.licence_url,
        "isAccessibleForFree": True,
        "inLanguage": "en",
        "keywords": list(meta.keywords),
        "creator": [
            *(_organisation(item) for item in meta.contributors),
            *(_person(item) for item in meta.people),
        ],
        "publisher": {"@type": "Organization", "name": PUBLISHER},
        "measurementTechnique": TECHNIQUE,
        "variableMeasured": [
            {"@type": "PropertyValue", "name": name, "unitCode": unit} for name, unit in MEASURED
        ],
    }
    if meta.url:
        described |= {"@id": meta.url, "url": meta.url}
    if meta.url and meta.previous_version:
        described["isBasedOn"] = previous_url(meta)
    if meta.package_url:
        described["distribution"] = [
            {
                "@type": "DataDownload",
                "name": f"{meta.name}.zip",
                "encodingFormat": "application/zip",
                "contentUrl": meta.package_url,
            }
        ]
    return described


def _organisation(item: Contributor) -> dict[str, Any]:
    named: dict[str, Any] = {"@type": "Organization", "name": item.name}
    return named | ({"@id": item.ror, "sameAs": item.ror} if item.ror else {})


def _person(item: Person) -> dict[str, Any]:
    named: dict[str, Any] = {
        "@type": "Person",
        "@id": item.orcid,
        "name": item.name,
        "sameAs": item.orcid,
    }
    if item.affiliation:
        named["affiliation"] = _organisation(item.affiliation)
    return named
