"""Every permanent code on one page, so that a problem document's `type` leads somewhere."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from api.v1.errors import FRAMEWORK, STATUS
from registry import errors
from registry.intake import codes

# Narrower than the class of the error that carries them.
NARROWED_CODES = {
    "bad_gzip": "400: the body is declared as gzip but is not, or it ends too early",
    "flag_withdrawn": "409: the data no longer show what the flag was about",
    "nothing_changes": "409: the correction would leave the value as it is",
    "institution_changed": "409: the institution is registered with other values",
    "outside_study_changed": "409: the outside study is registered with other values",
    "site_changed": "409: the site is registered with other values",
    "trial_changed": "409: the trial is registered with other values",
}
# One field of a JSON object that is no record of an upload: a registration, a decision.
FORM_CODES = {
    "required": "the field is missing",
    "null": "null where a value belongs",
    "blank": "a blank text where a value belongs",
    "empty": "an empty list where something belongs",
    "invalid": "not of the kind or form that the field takes",
    "invalid_choice": "not one of the words of this field",
    "not_a_list": "a single value where a list belongs",
    "max_length": "longer than the field allows",
    "min_length": "shorter than the field allows",
    "max_value": "larger than the field allows",
    "min_value": "smaller than the field allows",
    "max_string_length": "a number written with too many characters",
    "overflow": "a number too large to be one",
    "date": "a date and time where a date alone belongs",
    "datetime": "a date where a date and time belong",
    "make_aware": "a local time that does not exist or is ambiguous",
    "null_characters_not_allowed": "the text holds NUL characters",
    "surrogate_characters_not_allowed": "the text holds half characters, which no encoding has",
}

GROUPS = (
    ("The request, more closely", NARROWED_CODES),
    ("One field of a JSON object", FORM_CODES),
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
