"""A trial at a glance, for its coordinators."""

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from frontend.people import actor_of
from frontend.presenters.completeness import grid_rows
from frontend.presenters.flags import tallies
from frontend.presenters.glance import heat_sentence, pile_row, work_sentence
from frontend.presenters.runs import progress_of
from frontend.presenters.uploads import upload_line
from registry.models import Trial, Upload
from registry.permissions import Capability, can, visible_to
from registry.queries import summaries
from registry.queries.completeness import completeness
from registry.queries.flag_queue import queue_counts
from registry.queries.pile_glance import piles_at_a_glance
from registry.queries.work_waiting import work_waiting

LATELY = 8
RUNS_SHOWN = 5


@login_required
@require_safe
def glance(request: HttpRequest, code: str) -> HttpResponse:
    actor = actor_of(request)
    trial = get_object_or_404(visible_to(actor, Trial), code=code)
    if not can(actor, Capability.READ_TRIAL, trial=trial):
        raise PermissionDenied
    counts = queue_counts(actor, trial)
    found = completeness(trial)
    piles = piles_at_a_glance(trial)
    uploads = Upload.objects.filter(trial=trial).select_related("site").order_by("-pk")[:LATELY]
    context = {
        "trial": trial,
        "n_waiting": counts.by_decision.get("waiting", 0),
        "tallies": tallies(counts),
        "days": found.days,
        "rows": grid_rows(found),
        "piles": [pile_row(pile) for pile in piles],
        "heat": heat_sentence(piles),
        "n_in_doubt": sum(pile.is_in_doubt for pile in piles),
        "uploads": [upload_line(row) for row in uploads],
        "runs": [(run, progress_of(run)) for run in summaries.runs_of(actor, trial)[:RUNS_SHOWN]],
        "work": work_sentence(work_waiting()),
    }
    return render(request, "frontend/coordinator/glance.html", context)
