"""Pooled results, how far a run has come, and the decision to pool."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe
from django.views.decorators.vary import vary_on_headers

from frontend.people import actor_of
from frontend.presenters import explained_page
from frontend.presenters import pooled as presenter
from frontend.presenters.completeness import grid_rows
from frontend.presenters.explained import heat_row
from frontend.presenters.glance import work_sentence
from frontend.presenters.pooled_page import pooled_page
from frontend.presenters.run_changes import ChangesPage, changes_page
from frontend.presenters.runs import progress_of
from registry.errors import RegistryError
from registry.jobs.pooling import request_pooling
from registry.models import Material, PoolingRun, RunState, Trial
from registry.permissions import Capability, can, visible_to
from registry.queries import explanations
from registry.queries.completeness import completeness
from registry.queries.pooled_results import pooled_result, run_overview
from registry.queries.run_changes import changes_since_last_run
from registry.queries.summaries import latest_finished_run
from registry.queries.work_waiting import work_waiting


def _trial(request: HttpRequest, code: str) -> Trial:
    return get_object_or_404(visible_to(actor_of(request), Trial), code=code)


def _finished_run(request: HttpRequest, trial: Trial) -> PoolingRun:
    run = latest_finished_run(actor_of(request), trial)
    if run is None:
        raise Http404
    return run


@require_safe
def pooled(request: HttpRequest, code: str) -> HttpResponse:
    trial = _trial(request, code)
    run = _finished_run(request, trial)
    rows = [presenter.overview_row(item) for item in run_overview(run)]
    changes = _changes(run) if _may_read_all(request, trial) else None
    context = {"trial": trial, "run": run, "rows": rows, "changes": changes}
    return render(request, "frontend/coordinator/pooled.html", context)


@require_safe
def pooled_material(request: HttpRequest, code: str, material: str) -> HttpResponse:
    trial = _trial(request, code)
    run = _finished_run(request, trial)
    found = get_object_or_404(Material, code=material)
    result = pooled_result(run, found)
    if result is None:
        raise Http404
    page = pooled_page(result, explanations.heat_of_material(run, found))
    changes = _changes(run, found) if _may_read_all(request, trial) else None
    context = {"trial": trial, "run": run, "material": found, "page": page, "changes": changes}
    return render(request, "frontend/coordinator/pooled_material.html", context)


def _may_read_all(request: HttpRequest, trial: Trial) -> bool:
    return can(actor_of(request), Capability.READ_TRIAL, trial=trial)


def _changes(run: PoolingRun, material: Material | None = None) -> ChangesPage | None:
    """Names and reasons are in it, so it is for the trial's coordinators."""
    return changes_page(changes_since_last_run(run, material))


@require_safe
def explained(request: HttpRequest, code: str) -> HttpResponse:
    trial = _trial(request, code)
    run = _finished_run(request, trial)
    parts = explained_page.parts(explanations.between_materials(run))
    heat = [heat_row(item) for item in explanations.heat_by_material(run)]
    context = {"trial": trial, "run": run, "parts": parts, "heat": heat}
    return render(request, "frontend/coordinator/explained.html", context)


@login_required
@require_safe
def completeness_grid(request: HttpRequest, code: str) -> HttpResponse:
    trial = _trial(request, code)
    if not can(actor_of(request), Capability.READ_TRIAL, trial=trial):
        raise PermissionDenied
    found = completeness(trial)
    context = {"trial": trial, "days": found.days, "rows": grid_rows(found)}
    return render(request, "frontend/coordinator/completeness.html", context)


@require_safe
@vary_on_headers("HX-Request")
def run(request: HttpRequest, pk: int) -> HttpResponse:
    """The whole page, or its progress alone when htmx asks for that."""
    runs = visible_to(actor_of(request), PoolingRun).select_related("trial")
    found = get_object_or_404(runs, pk=pk)
    context = {"run": found, "trial": found.trial, "progress": progress_of(found)}
    if found.state in (RunState.QUEUED, RunState.RUNNING):
        context["work"] = work_sentence(work_waiting())
    whole = "frontend/coordinator/run.html"
    part = "frontend/components/_run_progress.html"
    return render(request, part if request.htmx else whole, context)  # type: ignore[attr-defined]


@login_required
@require_POST
def pool(request: HttpRequest, code: str) -> HttpResponse:
    trial = _trial(request, code)
    try:
        started, created = request_pooling(trial=trial, by=actor_of(request))
    except RegistryError as error:
        messages.error(request, error.message)
        return redirect("frontend:trial", code=code)
    if not created:
        messages.info(request, _("Nothing has changed since this run, so it is the answer."))
    return redirect("frontend:run", pk=started.pk)
