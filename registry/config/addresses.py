"""Addresses that no row can have."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponseBase

# The mark of a character that cannot be shown; Postgres takes it, and no code contains it.
REPLACEMENT = "\N{REPLACEMENT CHARACTER}"


def without_nul(
    get_response: Callable[[HttpRequest], HttpResponseBase],
) -> Callable[[HttpRequest], HttpResponseBase]:
    """Postgres refuses text with a NUL, so a lookup would fail instead of finding nothing."""

    def answer(request: HttpRequest) -> HttpResponseBase:
        if "\0" in request.path_info:
            request.path_info = request.path_info.replace("\0", REPLACEMENT)
            request.path = request.path.replace("\0", REPLACEMENT)
        return get_response(request)

    return answer
