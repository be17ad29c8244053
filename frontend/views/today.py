"""A lab's day: what needs doing first, what was refused, what the registry believes."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from frontend.people import actor_of
from frontend.presenters import today as presenter
from frontend.presenters.uploads import refused_file
from registry.queries.beliefs import beliefs
from registry.queries.lab_day import lab_day
from registry.queries.upload_faults import first_faults


@login_required
@require_safe
def today(request: HttpRequest) -> HttpResponse:
    actor = actor_of(request)
    day = lab_day(actor, now=timezone.now())
    faults = first_faults([upload.pk for upload in day.refused])
    context = {
        "day": day,
        "headline": presenter.headline(day),
        "piles": [presenter.pile_card(pile, day.today) for pile in day.piles],
        "missing": [presenter.missing_row(look) for look in day.missing],
        "refused": [refused_file(upload, faults.get(upload.pk, ())) for upload in day.refused],
        "beliefs": [presenter.belief_row(row) for row in beliefs(actor)],
        "has_sites": bool(day.piles) or actor.sites().exists(),
    }
    return render(request, "frontend/lab/today.html", context)
