"""How a reader likes pages: kept in cookies, without an account."""

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import get_language
from django.views.decorators.http import require_http_methods

from frontend.forms import PreferencesForm
from frontend.preferences import COOKIE, KEEP_SECONDS, Preferences, current, in_readers_language


@in_readers_language
@require_http_methods(["GET", "HEAD", "POST"])
def preferences(request: HttpRequest) -> HttpResponse:
    """Shows the choices; a choice takes the reader back to the page they came from."""
    back = _back(request)
    if request.method == "POST":
        form = PreferencesForm(request.POST)
        if form.is_valid():
            return _kept(redirect(back), **form.cleaned_data)
    else:
        now = current()
        form = PreferencesForm({"language": get_language(), "time": now.time, "heat": now.heat})
    context = {"form": form, "back": back}
    return render(request, "frontend/public/preferences.html", context)


def _kept(response: HttpResponse, *, language: str, time: str, heat: str) -> HttpResponse:
    for name, value in (
        (settings.LANGUAGE_COOKIE_NAME, language),
        (COOKIE, str(Preferences(time, heat))),
    ):
        response.set_cookie(
            name,
            value,
            max_age=KEEP_SECONDS,
            secure=settings.LANGUAGE_COOKIE_SECURE,
            httponly=True,
            samesite="Lax",
        )
    return response


def _back(request: HttpRequest) -> str:
    """A page of ours; anything else leads to the materials."""
    asked = request.POST.get("next") or request.GET.get("next", "")
    if url_has_allowed_host_and_scheme(asked, allowed_hosts=None):
        return asked
    return reverse("frontend:materials")
