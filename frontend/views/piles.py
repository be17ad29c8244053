"""One pile: its heat, the rules, its start mix, what was done to it."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from frontend.people import actor_of
from frontend.pile_pictures import heat_picture
from frontend.presenters import piles as presenter
from frontend.presenters.pile_curves import curve_picture, curve_rows
from frontend.presenters.recipes import recipe_part
from registry.models import Pile
from registry.permissions import visible_to
from registry.queries.pile_curves import material_curves
from registry.queries.pile_page import neighbouring_piles, pile_record


@require_safe
def pile(request: HttpRequest, site: str, code: str) -> HttpResponse:
    actor = actor_of(request)
    rows = visible_to(actor, Pile).select_related("site", "trial")
    found = get_object_or_404(rows, site__code=site, code=code)
    record = pile_record(actor, found)
    curves = material_curves(actor, found)
    context = {
        "pile": found,
        "facts": presenter.pile_facts(found),
        "heat": presenter.heat_part(record.log),
        "rules": presenter.rule_parts(record.log.summary.rules),
        "picture": heat_picture(record),
        "days": presenter.day_rows(found, record.log),
        "gaps": presenter.gaps_sentence(record.log.gaps),
        "curve_rows": curve_rows(curves),
        "curve_picture": curve_picture(curves),
        "recipe": recipe_part(record.recipe),
        "turnings": presenter.turning_rows(found, record.turnings),
        "flags": presenter.flag_rows(record.flags),
        "others": neighbouring_piles(actor, found),
    }
    return render(request, "frontend/public/pile.html", context)
