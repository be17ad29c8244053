"""Every permanent code on one page, so that a problem document's `type` leads somewhere."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from api.v1.errors import FRAMEWORK, STATUS
from registry import errors
from registry.intake import codes

GROUPS = (
    ("The body as a whole", codes.BODY_CODES),
    ("One cell", codes.CELL_CODES),
    ("A label that leads nowhere", codes.LABEL_CODES),
    ("One row, or a row beside what is stored", codes.MEANING_CODES),
    ("Stored already with other values", codes.CHANGED_CODES),
)


def request_codes() -> dict[str, str]:
    """Codes of a whole request: code → status and title."""
    known = {code: f"{status}: {title}" for _, status, code, title in FRAMEWORK}
    for kind in vars(errors).values():
        if isinstance(kind, type) and issubclass(kind, errors.RegistryError):
            known[kind.code] = f"{int(STATUS[kind.kind])}: {kind.title}"
    return known


def page(request: HttpRequest) -> HttpResponse:
    groups = [("The request", request_codes()), *GROUPS]
    return render(
        request,
        "api/errors.html",
        {"groups": [(title, sorted(entries.items())) for title, entries in groups]},
    )
