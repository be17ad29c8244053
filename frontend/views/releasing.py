"""Freezing a release, with what it would change said first, and notices of flaws."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from frontend.forms import NoticeForm, ReleaseForm
from frontend.people import actor_of
from frontend.presenters.run_changes import changes_page
from frontend.presenters.trials import release_line
from registry.errors import RegistryError
from registry.models import Release, Trial
from registry.permissions import Capability, can, visible_to
from registry.queries.flag_queue import queue_counts
from registry.queries.run_changes import changes_between
from registry.queries.summaries import latest_finished_run
from registry.services.releases import freeze_release, post_notice


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def freeze(request: HttpRequest, code: str) -> HttpResponse:
    """What the next version would hold; frozen after the word that it is meant."""
    actor = actor_of(request)
    trial = get_object_or_404(visible_to(actor, Trial), code=code)
    if not can(actor, Capability.RELEASE, trial=trial):
        raise PermissionDenied
    form = ReleaseForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            release = freeze_release(trial=trial, by=actor, notes=form.cleaned_data["notes"])
        except RegistryError as error:
            form.add_error(None, error.message)
        else:
            messages.success(request, _("Version %(n)d is frozen.") % {"n": release.version})
            return redirect("frontend:release", pk=release.pk)
    run = latest_finished_run(actor, trial)
    latest = trial.releases.select_related("trial", "run").order_by("-version").first()
    differs = run is not None and latest is not None and latest.run_id != run.pk
    context = {
        "trial": trial,
        "form": form,
        "run": run,
        "latest": release_line(latest) if latest else None,
        "changes": changes_page(changes_between(latest.run, run)) if differs else None,  # type: ignore[union-attr, arg-type]
        "n_waiting": queue_counts(actor, trial).by_decision.get("waiting", 0),
    }
    return render(request, "frontend/coordinator/freeze.html", context)


@login_required
@require_POST
def notice(request: HttpRequest, pk: int) -> HttpResponse:
    release = get_object_or_404(visible_to(actor_of(request), Release), pk=pk)
    form = NoticeForm(request.POST)
    if not can(actor_of(request), Capability.RELEASE, trial=release.trial):
        raise PermissionDenied
    if form.is_valid():
        post_notice(release=release, by=actor_of(request), **form.cleaned_data)
        messages.success(request, _("The notice stands beside the release."))
    else:
        messages.error(request, _("Say what is wrong, in at most 1,000 characters."))
    return redirect("frontend:release", pk=pk)
