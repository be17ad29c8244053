"""A release in words: notices, what changed, how to cite it, and what machines read of it."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters.vocabulary import MODELS, OUTCOMES, UNITS, word
from registry.errors import RegistryError
from registry.models import Release
from registry.packages.links import Link, api_url, page_url, release_links
from registry.packages.stored import document

# More rows than this are for changes.json; the page says how many there are.
MOST_MOVED = 40
# Inside a script element these would end it or start markup.
UNSAFE_IN_SCRIPT = {ord("<"): "\\u003C", ord(">"): "\\u003E", ord("&"): "\\u0026"}


@dataclass(frozen=True, slots=True)
class Notice:
    message: str
    posted_at: datetime


@dataclass(frozen=True, slots=True)
class MovedRow:
    material: str
    outcome: str
    before: str
    after: str
    change: str


@dataclass(frozen=True, slots=True)
class Changes:
    previous: int
    lines: list[str]
    moved: list[MovedRow] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class ReleaseAbout:
    page_url: str
    datacite_url: str
    dataset_url: str
    links: list[Link]
    json_ld: SafeString
    citation: str
    notices: list[Notice]
    newest: int
    newer_url: str
    changes: Changes | None


def release_about(release: Release) -> ReleaseAbout:
    newest = release.trial.releases.order_by("-version").first() or release
    described = _document(release, "dataset")
    return ReleaseAbout(
        page_url=page_url(release),
        datacite_url=api_url(release, "datacite"),
        dataset_url=api_url(release, "dataset"),
        links=release_links(release),
        json_ld=_script(described) if described else SafeString(""),
        citation=_citation(release, described),
        notices=[Notice(item.message, item.posted_at) for item in release.notices.all()],
        newest=newest.version,
        newer_url=page_url(newest) if newest.version > release.version else "",
        changes=_changes(_document(release, "changes")),
    )


def _document(release: Release, word: str) -> dict[str, Any]:
    """A document of the package; nothing when the package is not at hand, the page goes without."""
    try:
        return document(release, word)
    except RegistryError:
        return {}


def _script(described: Mapping[str, Any]) -> SafeString:
    text = json.dumps(described, ensure_ascii=False).translate(UNSAFE_IN_SCRIPT)
    return mark_safe(f'<script type="application/ld+json">{text}</script>')


def _citation(release: Release, described: Mapping[str, Any]) -> str:
    names = "; ".join(str(item["name"]) for item in described.get("creator", []))
    title = described.get("name", str(release))
    return f"{names} ({release.created_at.year}). {title}. {page_url(release)}".lstrip()


def _changes(changes: Mapping[str, Any]) -> Changes | None:
    if not changes or changes["previous_version"] is None:
        return None
    moved = changes["estimates"]["moved"]
    return Changes(
        previous=changes["previous_version"],
        lines=_lines(changes),
        moved=[_moved_row(item) for item in moved if item["heat_class"] == "all"][:MOST_MOVED],
    )


def _lines(changes: Mapping[str, Any]) -> list[str]:
    looks = changes["tables"]["retrievals"]
    left_out, back = changes["looks"]["newly_excluded"], changes["looks"]["taken_back_in"]
    moved = changes["estimates"]["moved"]
    return [
        ngettext("%(n)d look added", "%(n)d looks added", looks["added"]) % {"n": looks["added"]},
        ngettext("%(n)d look corrected", "%(n)d looks corrected", looks["changed"])
        % {"n": looks["changed"]},
        ngettext("%(n)d look left out", "%(n)d looks left out", len(left_out))
        % {"n": len(left_out)},
        ngettext("%(n)d look taken back in", "%(n)d looks taken back in", len(back))
        % {"n": len(back)},
        ngettext("%(n)d estimate moved", "%(n)d estimates moved", len(moved)) % {"n": len(moved)},
    ]


def _moved_row(item: Mapping[str, Any]) -> MovedRow:
    outcome, model = word(OUTCOMES, item["outcome"]), word(MODELS, item["model"])
    change = item["change_pct"]
    return MovedRow(
        material=item["material"],
        outcome=f"{outcome} ({model})",
        before=_number(item["before"]["estimate"], item["unit"]),
        after=_number(item["after"]["estimate"], item["unit"]),
        change="–" if change is None else f"{change:+.2g} %",
    )


def _number(value: float | None, unit: str) -> str:
    return _("not estimable") if value is None else f"{value:.3g} {word(UNITS, unit)}"
