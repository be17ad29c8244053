"""Trials and their releases, as far as the reader may see them."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from frontend.forms import NoticeForm
from frontend.people import actor_of
from frontend.presenters.photos import strip_parts
from frontend.presenters.releases import release_about
from frontend.presenters.trials import (
    export_tables,
    release_line,
    sites_with_piles,
    trial_line,
    trial_page,
)
from registry.models import Release, RunState, Trial
from registry.packages.links import link_header, release_links
from registry.permissions import Capability, can, visible_to
from registry.queries import summaries
from registry.queries.photo_strips import strips


@require_safe
def trials(request: HttpRequest) -> HttpResponse:
    lines = [trial_line(row) for row in summaries.trial_summaries(actor_of(request))]
    return render(request, "frontend/public/trials.html", {"trials": lines})


@require_safe
def trial(request: HttpRequest, code: str) -> HttpResponse:
    actor = actor_of(request)
    found = get_object_or_404(visible_to(actor, Trial), code=code)
    runs = list(summaries.runs_of(actor, found)[:5])
    context = {
        "trial": found,
        "page": trial_page(found),
        "sites": sites_with_piles(summaries.sites_of(found), summaries.piles_of(actor, found)),
        "materials": list(summaries.materials_of(found)),
        "strips": strip_parts(strips(actor, trial=found), by_material=True),
        "releases": [release_line(row) for row in summaries.releases_of(actor, found)],
        "runs": runs,
        "has_result": any(run.state == RunState.DONE for run in runs),
        "may_decide": can(actor, Capability.POOL, trial=found),
        "export_tables": export_tables(),
    }
    return render(request, "frontend/public/trial.html", context)


@require_safe
def releases(request: HttpRequest) -> HttpResponse:
    rows = visible_to(actor_of(request), Release).select_related("trial")
    lines = [release_line(row) for row in rows.order_by("-created_at", "-pk")]
    context = {"releases": lines, "export_tables": export_tables()}
    return render(request, "frontend/public/releases.html", context)


@require_safe
def release(request: HttpRequest, pk: int) -> HttpResponse:
    return _release_page(request, pk=pk)


@require_safe
def release_version(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """The same page at the address that a citation names."""
    return _release_page(request, trial__code=code, version=version)


def _may_release(request: HttpRequest, trial: Trial) -> bool:
    return can(actor_of(request), Capability.RELEASE, trial=trial)


def _release_page(request: HttpRequest, **wanted: Any) -> HttpResponse:
    rows = visible_to(actor_of(request), Release).select_related("trial", "run")
    found = get_object_or_404(rows, **wanted)
    ratings = found.ratings.filter(heat_class="all").select_related("material")
    context = {
        "release": found,
        "line": release_line(found),
        "ratings": list(ratings),
        "about": release_about(found),
        "notice_form": NoticeForm() if _may_release(request, found.trial) else None,
    }
    page = render(request, "frontend/public/release.html", context)
    page["Link"] = link_header(release_links(found))
    return page
