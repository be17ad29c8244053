"""Public pages: what happens to which item, and how we know."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from frontend.caching import kept_for_anyone
from frontend.forms import MaterialFilterForm
from frontend.pictures import stored_pictures
from frontend.preferences import current, in_readers_language
from frontend.presenters import comparing, rating_sentences
from frontend.presenters import ratings as presenter
from frontend.presenters.glossary import entries
from frontend.presenters.photos import strip_parts
from registry.models import Material
from registry.permissions import ANYONE, visible_to
from registry.queries.photo_strips import strips
from registry.queries.ratings import (
    MaterialFilter,
    rated_materials,
    ratings_of_material,
    ratings_of_materials,
)
from registry.queries.summaries import registry_counts

SHOWN_AT_HOME = 6


@in_readers_language
@require_safe
@kept_for_anyone
def home(request: HttpRequest) -> HttpResponse:
    rated = [item for item in rated_materials(ANYONE, MaterialFilter(role="test")) if item.rating]
    cards = [presenter.material_card(item) for item in rated]
    context = {
        "cards": [card for card in cards if card.enough][:SHOWN_AT_HOME],
        "counts": registry_counts(ANYONE),
    }
    return render(request, "frontend/public/home.html", context)


@in_readers_language
@require_safe
@kept_for_anyone
def materials(request: HttpRequest) -> HttpResponse:
    form = MaterialFilterForm(request.GET)
    wanted = form.wanted()
    cards = [
        presenter.material_card(item, wait_days=wanted.gone_within_days)
        for item in rated_materials(ANYONE, wanted)
    ]
    context = {
        "form": form,
        "n_found": len(cards),
        "cards": [card for card in cards if card.enough],
        "untold": [card for card in cards if not card.enough],
        "at_most": comparing.AT_MOST,
    }
    return render(request, "frontend/public/materials.html", context)


@in_readers_language
@require_safe
@kept_for_anyone
def material(request: HttpRequest, code: str) -> HttpResponse:
    found = get_object_or_404(
        visible_to(ANYONE, Material).prefetch_related("components"), code=code
    )
    rows = ratings_of_material(ANYONE, found)
    ratings = [presenter.rating_view(row) for row in rows]
    shown = presenter.shown_rating(ratings, request.GET.get("heat", "all"))
    picture, name = None, current().time
    if shown and shown.pooled_id:
        picture = stored_pictures([(shown.pooled_id, name)])[name]
    context = {
        "material": found,
        "kind": presenter.kind_of(found),
        "verdict": rating_sentences.verdict(rows) if rows else "",
        "rating": shown,
        "by_heat": ratings,
        "how_to": presenter.how_to(found),
        "picture": picture,
        "strips": strip_parts(strips(ANYONE, material=found), by_material=False),
    }
    return render(request, "frontend/public/material.html", context)


@in_readers_language
@require_safe
@kept_for_anyone
def compare(request: HttpRequest) -> HttpResponse:
    """Materials named by `m`, up to four; unknown ones are passed over."""
    codes = list(dict.fromkeys(request.GET.getlist("m")))
    found = ratings_of_materials(ANYONE, codes[: comparing.AT_MOST])
    context = {
        "materials": [item for item, _rows in found],
        "questions": comparing.compared(found, picture_name=current().time),
        "left_off": max(0, len(codes) - comparing.AT_MOST),
        "at_most": comparing.AT_MOST,
    }
    return render(request, "frontend/public/compare.html", context)


@require_safe
def methods(request: HttpRequest) -> HttpResponse:
    return render(request, "frontend/public/methods.html")


@in_readers_language
@require_safe
def glossary(request: HttpRequest) -> HttpResponse:
    return render(request, "frontend/public/glossary.html", {"entries": entries()})


@in_readers_language
@require_safe
def safety(request: HttpRequest) -> HttpResponse:
    return render(request, "frontend/public/safety.html")
