"""Trials and the registry at a glance."""

from dataclasses import dataclass
from datetime import datetime

from django.db import connection
from django.db.models import Count, IntegerField, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce

from registry.models import Material, Pile, PoolingRun, Release, RunState, Site, Trial
from registry.permissions import Actor, visible_to


@dataclass(frozen=True, slots=True)
class TrialSummary:
    """One line of a list of trials; `release_version` is None before the first release."""

    code: str
    title: str
    state: str
    n_sites: int
    n_materials: int
    last_day: int
    release_version: int | None
    released_at: datetime | None


@dataclass(frozen=True, slots=True)
class RegistryCounts:
    """How much there is to see, over the trials an actor may see."""

    trials: int
    sites: int
    materials: int
    releases: int


def trial_summaries(actor: Actor) -> list[TrialSummary]:
    """Every trial the actor may see, by code. One query."""
    newest = visible_to(actor, Release).filter(trial=OuterRef("pk")).order_by("-version")
    rows = (
        visible_to(actor, Trial)
        .annotate(
            n_sites=_count_of(Trial.sites.through),
            n_materials=_count_of(Trial.materials.through),
            release_version=Subquery(newest.values("version")[:1]),
            released_at=Subquery(newest.values("created_at")[:1]),
        )
        .order_by("code")
    )
    return [
        TrialSummary(
            code=trial.code,
            title=trial.title,
            state=trial.state,
            n_sites=trial.n_sites,
            n_materials=trial.n_materials,
            last_day=max(trial.schedule_days),
            release_version=trial.release_version,
            released_at=trial.released_at,
        )
        for trial in rows
    ]


def _count_of(through: type) -> Coalesce:
    counted = (
        through.objects.filter(trial=OuterRef("pk"))  # type: ignore[attr-defined]
        .order_by()
        .values("trial")
        .annotate(n=Count("pk"))
        .values("n")
    )
    return Coalesce(Subquery(counted), 0, output_field=IntegerField())


def registry_counts(actor: Actor) -> RegistryCounts:
    """Trials, and the sites and materials in them. One query each."""
    trials = visible_to(actor, Trial)
    return RegistryCounts(
        trials=trials.count(),
        sites=Site.objects.filter(trials__in=trials).distinct().count(),
        materials=Material.objects.filter(trials__in=trials, role="test").distinct().count(),
        releases=visible_to(actor, Release).count(),
    )


def sites_of(trial: Trial) -> QuerySet[Site]:
    return trial.sites.select_related("institution").order_by("code")


def piles_of(actor: Actor, trial: Trial) -> dict[int, list[Pile]]:
    """Site id → the piles of the trial there that the actor may see, by code. One query."""
    found: dict[int, list[Pile]] = {}
    rows = visible_to(actor, Pile).filter(trial=trial)
    for pile in rows.select_related("site").order_by("code"):
        found.setdefault(pile.site_id, []).append(pile)
    return found


def materials_of(trial: Trial) -> QuerySet[Material]:
    return trial.materials.order_by("name", "code")


def releases_of(actor: Actor, trial: Trial) -> QuerySet[Release]:
    return visible_to(actor, Release).filter(trial=trial).order_by("-version")


def runs_of(actor: Actor, trial: Trial) -> QuerySet[PoolingRun]:
    return visible_to(actor, PoolingRun).filter(trial=trial).order_by("-id")


def latest_finished_run(actor: Actor, trial: Trial) -> PoolingRun | None:
    return runs_of(actor, trial).filter(state=RunState.DONE).first()


# Small tables all: four index scans, so that a cached public page costs one cheap query.
_PUBLIC_STAMP = """
SELECT (SELECT max(id) FROM registry_release),
       (SELECT max(id) FROM registry_material),
       (SELECT max(id) FROM registry_site),
       (SELECT string_agg(id || state || coalesce(embargo_until::text, ''), ',' ORDER BY id)
          FROM registry_trial),
       (SELECT max(id) FROM registry_trial_materials),
       (SELECT count(*) FROM registry_trial_materials),
       (SELECT count(*) || ',' || count(withdrawn_at) FROM registry_outsidestudy),
       (SELECT count(*) || ',' || count(withdrawn_at) FROM registry_photo),
       CURRENT_DATE
"""


def public_stamp() -> str:
    """Changes whenever a public page could: a release, a material, a trial, an outside study,
    or a day going by."""
    with connection.cursor() as cursor:
        cursor.execute(_PUBLIC_STAMP)
        return "|".join(str(part) for part in cursor.fetchone())
