"""How a reader likes numbers: weeks or days, °C or °F. A cookie keeps it; no stored value changes.

The language has its own cookie, Django's. No account is needed for either.
"""

from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import dataclass

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils import translation

COOKIE = "coheap-reading"
KEEP_SECONDS = 365 * 24 * 60 * 60
TIMES = ("weeks", "days")
HEATS = ("c", "f")


@dataclass(frozen=True, slots=True)
class Preferences:
    time: str = "weeks"
    heat: str = "c"

    def __str__(self) -> str:
        return f"{self.time}.{self.heat}"


_current: ContextVar[Preferences | None] = ContextVar("preferences", default=None)


def current() -> Preferences:
    """Those of the request that is being answered; weeks and °C outside of one."""
    return _current.get() or Preferences()


def read(cookie: str) -> Preferences:
    """From a cookie; anything it does not know is passed over."""
    time, _, heat = cookie.partition(".")
    return Preferences(
        time if time in TIMES else TIMES[0],
        heat if heat in HEATS else HEATS[0],
    )


def in_readers_language(view: Callable) -> Callable:
    """Mark a view whose page is translated; every other page is written in English."""
    view.in_readers_language = True  # type: ignore[attr-defined]
    return view


class PreferencesMiddleware:
    """Sets the preferences for one request, and English where a page is not translated, so that a
    page never claims a language it is not written in."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        token = _current.set(read(request.COOKIES.get(COOKIE, "")))
        try:
            return self.get_response(request)
        finally:
            _current.reset(token)

    def process_view(
        self, request: HttpRequest, view: Callable, args: object, kwargs: object
    ) -> None:
        if not getattr(view, "in_readers_language", False):
            translation.activate(settings.LANGUAGE_CODE)
            request.LANGUAGE_CODE = settings.LANGUAGE_CODE
