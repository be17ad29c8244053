"""Public pages rendered once and kept until something public changes."""

import hashlib
from collections.abc import Callable
from functools import wraps

from django.conf import settings
from django.core.cache import cache
from django.http import HttpRequest, HttpResponse
from django.utils import translation
from django.utils.cache import patch_vary_headers

from frontend.preferences import current
from registry.queries.summaries import public_stamp

View = Callable[..., HttpResponse]
# The stamp in the key makes an old page unreachable; this only frees its memory.
KEEP_SECONDS = 15 * 60


def kept_for_anyone(view: View) -> View:
    """Serve a kept copy to readers without a session; everyone else gets a fresh page."""

    @wraps(view)
    def serve(request: HttpRequest, *args: object, **kwargs: object) -> HttpResponse:
        if settings.SESSION_COOKIE_NAME in request.COOKIES or request.method != "GET":
            return view(request, *args, **kwargs)
        key = _key(request)
        kept = cache.get(key)
        response = HttpResponse(kept) if kept is not None else view(request, *args, **kwargs)
        if kept is None and response.status_code == 200:
            cache.set(key, response.content, KEEP_SECONDS)
        patch_vary_headers(response, ("Cookie", "Accept-Language"))
        return response

    return serve


def _key(request: HttpRequest) -> str:
    parts = (
        public_stamp(),
        translation.get_language() or "",
        str(current()),
        request.get_full_path(),
    )
    return "page:" + hashlib.sha256("\n".join(parts).encode()).hexdigest()
