"""The audit trail of a trial, for its coordinators."""

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from frontend.people import actor_of
from frontend.presenters.audit import KIND_WORDS, deed
from registry.models import Trial
from registry.permissions import Capability, can, visible_to
from registry.queries.audit_trail import audit_trail

PER_PAGE = 60


@login_required
@require_safe
def trial_story(request: HttpRequest, code: str) -> HttpResponse:
    actor = actor_of(request)
    trial = get_object_or_404(visible_to(actor, Trial), code=code)
    if not can(actor, Capability.READ_TRIAL, trial=trial):
        raise PermissionDenied
    kind = request.GET.get("kind", "")
    page = Paginator(audit_trail(actor, trial, kind), PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "trial": trial,
        "page": page,
        "deeds": [deed(event) for event in page],
        "kinds": list(KIND_WORDS.items()),
        "kind": kind,
    }
    return render(request, "frontend/coordinator/story.html", context)
