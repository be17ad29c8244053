"""Every named component on one page, for those who build pages."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from frontend.forms import PreferencesForm
from frontend.presenters.gallery import samples


@require_safe
def gallery(request: HttpRequest) -> HttpResponse:
    context = {"sample": samples(), "form": PreferencesForm()}
    return render(request, "frontend/public/gallery.html", context)
