"""Trials and releases as lines of a list."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.template.defaultfilters import filesizeformat
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters import numbers
from frontend.presenters.vocabulary import TRIAL_STATES, UPLOAD_KINDS, word
from registry.models import Pile, Release, Site, Trial
from registry.queries.export_rows import EXPORT_TABLES
from registry.queries.summaries import TrialSummary


@dataclass(frozen=True, slots=True)
class TrialLine:
    code: str
    title: str
    state: str
    scope: str
    release: str
    released_at: datetime | None


@dataclass(frozen=True, slots=True)
class TrialPage:
    state: str
    schedule: str
    primary_day: str
    window: str
    smallest_found: str


@dataclass(frozen=True, slots=True)
class ReleaseLine:
    pk: int
    name: str
    trial_code: str
    trial_title: str
    version: int
    licence: str
    size: str
    n_rows: int
    notes: str
    sha256: str
    created_at: datetime


@dataclass(frozen=True, slots=True)
class SiteRow:
    """A site of a trial with the codes of its piles that the reader may see."""

    code: str
    name: str
    institution: str
    country: str
    piles: tuple[str, ...]


def sites_with_piles(sites: Iterable[Site], piles: Mapping[int, Sequence[Pile]]) -> list[SiteRow]:
    return [
        SiteRow(
            code=site.code,
            name=site.name,
            institution=site.institution.name,
            country=site.country,
            piles=tuple(pile.code for pile in piles.get(site.pk, ())),
        )
        for site in sites
    ]


def trial_line(row: TrialSummary) -> TrialLine:
    items = ngettext("%(n)d material", "%(n)d materials", row.n_materials) % {"n": row.n_materials}
    return TrialLine(
        code=row.code,
        title=row.title,
        state=word(TRIAL_STATES, row.state),
        scope=_("%(sites)s, %(materials)s, %(time)s")
        % {
            "sites": numbers.counted_sites(row.n_sites),
            "materials": items,
            "time": numbers.days_as_weeks(row.last_day),
        },
        release=_("Version %(n)d") % {"n": row.release_version} if row.release_version else "",
        released_at=row.released_at,
    )


def trial_page(trial: Trial) -> TrialPage:
    days = ", ".join(str(day) for day in sorted(trial.schedule_days))
    return TrialPage(
        state=word(TRIAL_STATES, trial.state),
        schedule=_("day %(days)s after burial") % {"days": days},
        primary_day=_("day %(day)d") % {"day": trial.primary_day},
        window=ngettext(
            "within %(n)d day of plan counts as on time",
            "within %(n)d days of plan counts as on time",
            trial.window_days,
        )
        % {"n": trial.window_days},
        smallest_found=_("%(share)s of the start mass")
        % {"share": numbers.percent(trial.detection_limit)},
    )


def export_tables() -> list[tuple[str, str]]:
    """Tables that may be downloaded one by one: code and name."""
    return [(code, word(UPLOAD_KINDS, code)) for code in EXPORT_TABLES]


def release_line(release: Release) -> ReleaseLine:
    return ReleaseLine(
        pk=release.pk,
        name=_("%(trial)s, version %(n)d") % {"trial": release.trial.code, "n": release.version},
        trial_code=release.trial.code,
        trial_title=release.trial.title,
        version=release.version,
        licence=release.licence,
        size=filesizeformat(release.package_bytes),
        n_rows=release.n_rows,
        notes=release.notes,
        sha256=release.package_sha256,
        created_at=release.created_at,
    )
