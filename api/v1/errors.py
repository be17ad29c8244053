"""Every error as RFC 9457 problem details: one table for ours, one for the framework's."""

from collections.abc import Sequence
from http import HTTPStatus
from typing import Any

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, JsonResponse, UnreadablePostError
from django.views.decorators.csrf import csrf_exempt
from rest_framework import exceptions
from rest_framework.response import Response

from registry.errors import ErrorKind, Fault, RegistryError

PROBLEM = "application/problem+json"

STATUS: dict[ErrorKind, HTTPStatus] = {
    ErrorKind.UNREADABLE: HTTPStatus.BAD_REQUEST,
    ErrorKind.UNAUTHENTICATED: HTTPStatus.UNAUTHORIZED,
    ErrorKind.FORBIDDEN: HTTPStatus.FORBIDDEN,
    ErrorKind.NOT_FOUND: HTTPStatus.NOT_FOUND,
    ErrorKind.CONFLICT: HTTPStatus.CONFLICT,
    ErrorKind.STALE: HTTPStatus.PRECONDITION_FAILED,
    ErrorKind.TOO_LARGE: HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    ErrorKind.UNSUPPORTED: HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    ErrorKind.INVALID: HTTPStatus.UNPROCESSABLE_ENTITY,
    ErrorKind.BUSY: HTTPStatus.SERVICE_UNAVAILABLE,
}

# What the framework raises before a view is reached: status and permanent code.
FRAMEWORK: tuple[tuple[type[Exception], int, str, str], ...] = (
    (exceptions.ParseError, 400, "unreadable_body", "The body cannot be read"),
    (UnreadablePostError, 400, "body_cut_short", "The body broke off on its way; send it again"),
    (exceptions.NotAuthenticated, 401, "token_missing", "A token is needed"),
    (exceptions.AuthenticationFailed, 401, "token_refused", "This token is not accepted"),
    (exceptions.PermissionDenied, 403, "not_allowed", "Not allowed"),
    (PermissionDenied, 403, "not_allowed", "Not allowed"),
    (exceptions.NotFound, 404, "not_found", "Not found"),
    (Http404, 404, "not_found", "Not found"),
    (
        exceptions.MethodNotAllowed,
        405,
        "method_not_allowed",
        "This address does not take that verb",
    ),
    (exceptions.NotAcceptable, 406, "not_acceptable", "No representation in the asked format"),
    (
        exceptions.UnsupportedMediaType,
        415,
        "unsupported_format",
        "This format is not accepted here",
    ),
    (exceptions.Throttled, 429, "too_many_requests", "Too many requests"),
)


def problem(
    status: int,
    code: str,
    title: str,
    detail: str,
    *,
    faults: Sequence[Fault] = (),
    fault_total: int = 0,
    **more: Any,
) -> dict[str, Any]:
    """The body of a problem document; `type` points at the code's entry in the reference."""
    body: dict[str, Any] = {
        "type": f"{settings.BASE_URL}/api/v1/docs/errors/#{code}",
        "title": title,
        "status": int(status),
        "detail": detail,
        "code": code,
        **more,
    }
    if faults:
        body["error_total"] = fault_total
        body["errors"] = [fault_out(fault) for fault in faults]
    return body


def fault_out(fault: Any) -> dict[str, Any]:
    """One fault, from the domain or from a stored upload: both have the same fields."""
    return {
        "row": fault.row,
        "field": fault.field,
        "code": fault.code,
        "message": fault.message,
        "value": fault.value,
    }


def problem_of(error: Exception) -> dict[str, Any] | None:
    """The problem document of a known error, or None for one nobody foresaw."""
    if isinstance(error, RegistryError):
        return _domain_problem(error)
    if isinstance(error, exceptions.ValidationError):
        return _form_problem(error)
    for kind, status, code, title in FRAMEWORK:
        if isinstance(error, kind):
            detail = str(getattr(error, "detail", "")) or title
            return problem(status, code, title, title if isinstance(error, Http404) else detail)
    return None


def handle(error: Exception, context: dict[str, Any]) -> Response | None:
    """DRF's exception handler."""
    body = problem_of(error)
    if body is None:
        return None
    response = Response(body, status=body["status"], content_type=PROBLEM)
    if (wait := getattr(error, "wait", None)) is not None:
        response["Retry-After"] = str(int(wait) + 1)
    if header := getattr(error, "auth_header", None):
        response["WWW-Authenticate"] = header
    return response


# Without a view there is no session to protect, and a script has no cookie to show.
@csrf_exempt
def not_found(request: HttpRequest, exception: Exception | None = None) -> JsonResponse:
    """For addresses below /api/ that no view answers."""
    body = problem(404, "not_found", "Not found", "There is nothing at this address.")
    return JsonResponse(body, status=404, content_type=PROBLEM)


def _domain_problem(error: RegistryError) -> dict[str, Any]:
    more: dict[str, Any] = {}
    if error.field:
        more["field"] = error.field
    if (upload_id := getattr(error, "upload_id", None)) is not None:
        more["upload"] = upload_id
    if error.rows_sent is not None:
        more["rows"] = error.rows_sent
    return problem(
        STATUS[error.kind],
        error.code,
        error.title,
        error.message,
        faults=error.faults,
        fault_total=error.fault_total,
        **more,
    )


def _form_problem(error: exceptions.ValidationError) -> dict[str, Any]:
    faults = list(_form_faults(error.get_full_details(), ""))
    detail = "; ".join(f"{f.field}: {f.message}" if f.field else f.message for f in faults)
    return problem(
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "invalid_value",
        "A value is missing or wrong",
        detail,
        faults=faults,
        fault_total=len(faults),
    )


def _form_faults(details: Any, field: str) -> list[Fault]:
    if isinstance(details, dict) and set(details) == {"message", "code"}:
        return [Fault(None, field, str(details["code"]), str(details["message"]))]
    if isinstance(details, dict):
        items = [(f"{field}.{key}" if field else str(key), value) for key, value in details.items()]
        return [fault for key, value in items for fault in _form_faults(value, key)]
    return [fault for value in details for fault in _form_faults(value, field)]
