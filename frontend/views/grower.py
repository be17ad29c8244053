"""Public pages: what happens to which item, and how we know."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from frontend.caching import kept_for_anyone
from frontend.forms import MaterialFilterForm
from frontend.pictures import stored_pictures
from frontend.presenters import ratings as presenter
from frontend.presenters.glossary import entries
from frontend.presenters.photos import strip_parts
from registry.models import Material
from registry.permissions import ANYONE, visible_to
from registry.queries.photo_strips import strips
from registry.queries.ratings import MaterialFilter, rated_materials, ratings_of_material
from registry.queries.summaries import registry_counts

SHOWN_AT_HOME = 6


@require_safe
@kept_for_anyone
def home(request: HttpRequest) -> HttpResponse:
    rated = [item for item in rated_materials(ANYONE, MaterialFilter(role="test")) if item.rating]
    cards = [presenter.material_card(item) for item in rated[:SHOWN_AT_HOME]]
    counts = registry_counts(ANYONE)
    return render(request, "frontend/public/home.html", {"cards": cards, "counts": counts})


@require_safe
@kept_for_anyone
def materials(request: HttpRequest) -> HttpResponse:
    form = MaterialFilterForm(request.GET)
    wanted = form.wanted()
    cards = [
        presenter.material_card(item, wait_days=wanted.gone_within_days)
        for item in rated_materials(ANYONE, wanted)
    ]
    return render(request, "frontend/public/materials.html", {"form": form, "cards": cards})


@require_safe
@kept_for_anyone
def material(request: HttpRequest, code: str) -> HttpResponse:
    found = get_object_or_404(
        visible_to(ANYONE, Material).prefetch_related("components"), code=code
    )
    ratings = [presenter.rating_view(row) for row in ratings_of_material(ANYONE, found)]
    overall = next((row for row in ratings if row.heat_class == "all"), None)
    picture = None
    if overall and overall.pooled_id:
        picture = stored_pictures([(overall.pooled_id, "weeks")])["weeks"]
    context = {
        "material": found,
        "kind": presenter.kind_of(found),
        "rating": overall or next(iter(ratings), None),
        "by_heat": [row for row in ratings if row is not overall],
        "how_to": presenter.how_to(found),
        "picture": picture,
        "strips": strip_parts(strips(ANYONE, material=found), by_material=False),
    }
    return render(request, "frontend/public/material.html", context)


@require_safe
def methods(request: HttpRequest) -> HttpResponse:
    return render(request, "frontend/public/methods.html")


@require_safe
def glossary(request: HttpRequest) -> HttpResponse:
    return render(request, "frontend/public/glossary.html", {"entries": entries()})


@require_safe
def safety(request: HttpRequest) -> HttpResponse:
    return render(request, "frontend/public/safety.html")
