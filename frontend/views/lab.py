"""A lab's own pages: what is due, what was sent and refused, and the tokens of its scripts."""

from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from frontend.people import actor_of
from frontend.presenters.uploads import fault_line, upload_line
from registry.models import Upload
from registry.permissions import visible_to
from registry.queries.completeness import DAYS_AHEAD, bags_due

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
    faults = [fault_line(row) for row in found.faults.order_by("pk")[:FAULTS_SHOWN]]
    context = {"upload": found, "line": upload_line(found), "faults": faults}
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
