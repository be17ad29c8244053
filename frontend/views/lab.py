"""A lab's own pages: what is due, what was sent and refused, and the tokens of its scripts."""

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from frontend.forms import TokenForm
from frontend.people import actor_of
from frontend.presenters.tokens import OWN, owner_choices, token_line
from frontend.presenters.uploads import fault_line, upload_line
from registry.models import Upload
from registry.permissions import visible_to
from registry.queries.completeness import DAYS_AHEAD, bags_due
from registry.queries.tokens import sites_to_issue_for, tokens_of
from registry.services import access
from registry.services.annotated import lines_of

PER_PAGE = 50
FAULTS_SHOWN = 200


@login_required
@require_safe
def uploads(request: HttpRequest) -> HttpResponse:
    rows = visible_to(actor_of(request), Upload).select_related("site").order_by("-id")
    page = Paginator(rows, PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "uploads": [upload_line(row) for row in page],
        "base_url": settings.BASE_URL,
    }
    return render(request, "frontend/lab/uploads.html", context)


@login_required
@require_safe
def upload(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(visible_to(actor_of(request), Upload).select_related("site"), pk=pk)
    faults = list(found.faults.order_by("pk")[:FAULTS_SHOWN])
    lines = lines_of(found, (fault.row for fault in faults))
    context = {
        "upload": found,
        "line": upload_line(found),
        "faults": [fault_line(fault, lines) for fault in faults],
        "names_rows": any(fault.row for fault in faults),
    }
    return render(request, "frontend/lab/upload.html", context)


@login_required
@require_safe
def bags(request: HttpRequest) -> HttpResponse:
    due, total = bags_due(actor_of(request), today=timezone.localdate())
    context = {
        "overdue": [bag for bag in due if bag.days_over > 0],
        "coming": [bag for bag in due if bag.days_over <= 0],
        "total": total,
        "shown": len(due),
        "days_ahead": DAYS_AHEAD,
    }
    return render(request, "frontend/lab/bags.html", context)


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def tokens(request: HttpRequest) -> HttpResponse:
    """List and issue. The secret of a new token is in this one answer and nowhere else."""
    actor = actor_of(request)
    sites = list(sites_to_issue_for(actor))
    owners = owner_choices(actor, sites)
    form = TokenForm(request.POST or None, owners=owners)
    secret = ""
    if form.is_valid():
        secret = _issue(request, form.cleaned_data)
        form = TokenForm(owners=owners)
    lines = [token_line(row, now=timezone.now()) for row in tokens_of(actor, sites)]
    context = {
        "form": form,
        "owners": owners,
        "tokens": lines,
        "secret": secret,
        "base_url": settings.BASE_URL,
    }
    return render(request, "frontend/lab/tokens.html", context)


def _issue(request: HttpRequest, chosen: dict[str, Any]) -> str:
    actor = actor_of(request)
    named = {"name": chosen["name"], "days": chosen["days"], "by": actor}
    if chosen["owner"] == OWN and actor.user is not None:
        return access.issue_coordinator_token(user=actor.user, **named)[1]
    site = get_object_or_404(sites_to_issue_for(actor), code=chosen["owner"])
    return access.issue_site_token(site=site, **named)[1]


@login_required
@require_POST
def revoke(request: HttpRequest, pk: int) -> HttpResponse:
    actor = actor_of(request)
    token = get_object_or_404(tokens_of(actor, sites_to_issue_for(actor)), pk=pk)
    access.revoke_token(token=token, by=actor)
    messages.success(request, _("Token “%(name)s” no longer works.") % {"name": token.name})
    return redirect("frontend:tokens")
