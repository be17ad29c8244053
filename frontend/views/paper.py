"""What a lab prints: labels of its bags, and the sheets to fill in at the piles."""

from typing import Any

from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from frontend.forms import PaperForm
from frontend.people import actor_of
from registry.errors import RegistryError
from registry.paper.labels import bag_labels
from registry.paper.retrieval_sheet import retrieval_sheets
from registry.permissions import Actor
from registry.queries.completeness import still_buried
from registry.queries.printed_bags import (
    chosen_bags,
    labels_of,
    own_sites,
    own_trials,
    sheets_of,
)


@login_required
@never_cache
@require_safe
def print_bags(request: HttpRequest) -> HttpResponse:
    actor = actor_of(request)
    sent = request.GET if "what" in request.GET else None
    form = PaperForm(sent, trials=[*own_trials(actor)], sites=[*own_sites(actor)])
    if sent is None:
        form.initial = request.GET.dict()
    elif form.is_valid():
        try:
            return _pdf(actor, **form.cleaned_data)
        except RegistryError as error:
            form.add_error(None, error.message)
    status = 400 if form.errors else 200
    return render(request, "frontend/lab/labels.html", {"form": form}, status=status)


def _pdf(actor: Actor, *, what: str, trial: str, **chosen: Any) -> HttpResponse:
    bags = chosen_bags(actor, trial=trial, **chosen)
    if what == "retrieval":
        made, name = retrieval_sheets(sheets_of(still_buried(bags))), f"retrieval-{trial}"
    else:
        made = bag_labels(labels_of(bags), base_url=settings.BASE_URL, size=what)
        name = f"labels-{trial}"
    told = {"Content-Disposition": f'inline; filename="{name}.pdf"'}
    return HttpResponse(made, content_type="application/pdf", headers=told)
