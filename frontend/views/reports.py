"""Printed reports: the page that waits for one, and leads to it."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from frontend.people import actor_of
from registry.errors import NotAllowed, NotFound, ReportNotMade, ReportOfOtherData
from registry.jobs import reports
from registry.models import PoolingRun, Release
from registry.permissions import visible_to
from registry.services.reports import ReportFile


@never_cache
@require_safe
def release_report(request: HttpRequest, pk: int) -> HttpResponse:
    rows = visible_to(actor_of(request), Release).select_related("trial")
    release = get_object_or_404(rows, pk=pk)
    back = reverse("frontend:release", args=[pk])
    try:
        report = reports.release_report(release)
    except (NotFound, ReportNotMade) as error:
        messages.error(request, error.message)
        return redirect(back)
    named = _("%(trial)s, version %(n)d") % {"trial": release.trial.code, "n": release.version}
    return _page(request, report, named, back, reverse("api:release-report", args=[pk]))


@login_required
@never_cache
@require_safe
def run_report(request: HttpRequest, pk: int) -> HttpResponse:
    rows = visible_to(actor_of(request), PoolingRun).select_related("trial")
    run = get_object_or_404(rows, pk=pk)
    back = reverse("frontend:run", args=[pk])
    try:
        report = reports.run_report(run, by=actor_of(request))
    except NotAllowed as refusal:
        raise PermissionDenied(refusal.message) from refusal
    except (ReportNotMade, ReportOfOtherData) as error:
        messages.error(request, error.message)
        return redirect(back)
    named = _("%(trial)s, run %(n)d") % {"trial": run.trial.code, "n": run.pk}
    return _page(request, report, named, back, reverse("api:run-report", args=[pk]))


def _page(
    request: HttpRequest, report: ReportFile, named: str, back: str, pdf: str
) -> HttpResponse:
    """The whole page, or its state alone when htmx asks for that."""
    context = {"named": named, "back": back, "pdf": pdf, "made": report.is_made()}
    whole, part = "frontend/public/report.html", "frontend/components/_report_state.html"
    return render(request, part if request.htmx else whole, context)  # type: ignore[attr-defined]
