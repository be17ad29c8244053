"""Where a release stands: its addresses by trial and version, and the links between them.

Relations are registered ones: `cite-as` (RFC 8574), `describedby`, `license`, `item`, `collection`.
"""

from dataclasses import dataclass

from django.conf import settings

from registry.models import Release
from registry.packages.meta import LICENCES


@dataclass(frozen=True, slots=True)
class Link:
    """One typed link of a release."""

    href: str
    rel: str
    media_type: str = ""


def page_url(release: Release) -> str:
    """The page of a release: what a citation names. It never moves."""
    return f"{settings.BASE_URL}/trials/{release.trial.code}/releases/{release.version}/"


def api_url(release: Release, word: str = "") -> str:
    """The release in the API, or one of its parts: `package`, `datacite`, `dataset` …"""
    place = f"/api/v1/trials/{release.trial.code}/releases/{release.version}/"
    return f"{settings.BASE_URL}{place}" + (f"{word}/" if word else "")


def release_links(release: Release) -> list[Link]:
    """Links of the page, of the package and of the record in the API alike."""
    _, licence = LICENCES.get(
        release.licence, ("", f"https://spdx.org/licenses/{release.licence}.html")
    )
    datacite = "application/vnd.datacite.datacite+json"
    return [
        Link(page_url(release), "cite-as"),
        Link(api_url(release, "datacite"), "describedby", datacite),
        Link(api_url(release, "dataset"), "describedby", "application/ld+json"),
        Link(licence, "license"),
        Link(api_url(release, "package"), "item", "application/zip"),
    ]


def link_header(links: list[Link]) -> str:
    """The same as the value of a `Link` header (RFC 8288)."""
    return ", ".join(
        f'<{link.href}>; rel="{link.rel}"'
        + (f'; type="{link.media_type}"' if link.media_type else "")
        for link in links
    )
