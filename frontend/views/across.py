"""One material, or a family of materials, over all released trials."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from frontend.caching import kept_for_anyone
from frontend.forms import AcrossForm
from frontend.pictures import across_picture
from frontend.presenters.across import across_page
from registry.queries.across_trials import across_trials, families, public_materials


@require_safe
@kept_for_anyone
def across(request: HttpRequest) -> HttpResponse:
    form = AcrossForm(request.GET, materials=public_materials(), families=families())
    asked = form.asked()
    found = None
    if asked.materials:
        found = across_trials(asked.materials, outcome=asked.outcome, heat_class=asked.heat_class)
    context = {
        "form": form,
        "asked": asked,
        "page": across_page(found, asked.outcome) if found else None,
        "picture": across_picture(found, asked.outcome) if found and found.rows else None,
    }
    return render(request, "frontend/public/across.html", context)
