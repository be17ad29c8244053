"""What every operation has in common in the OpenAPI document: how it refuses."""

from typing import Any

from api.v1.errors import PROBLEM

OF_EVERY_CALL = {
    "400": "cannot be read",
    "401": "the token is missing, unknown, expired or revoked",
    "403": "not allowed",
    "404": "does not exist, or not for the caller",
    "405": "this address does not take that verb",
    "406": "no representation in the asked format",
    "422": "read, but a value is wrong",
    "429": "too many requests",
    "503": "overloaded or being restarted",
}
UNCHANGED = ("304", {"description": "unchanged since the ETag in If-None-Match"})
OF_A_BODY = {
    "409": "disagrees with what is stored, or the same request is still running",
    "413": "too large",
    "415": "this format is not accepted here",
}
OF_SOME = {
    "412": "the record has changed since it was read",
    "416": "the file has no such part",
}
WORDS = OF_EVERY_CALL | OF_A_BODY | OF_SOME
WITH_RETRY_AFTER = ("429", "503")
AS_A_FILE = ("text/csv", "application/x-ndjson")
_BODY = {PROBLEM: {"schema": {"$ref": "#/components/schemas/ProblemOut"}}}
_RETRY_AFTER = {
    "Retry-After": {
        "description": "seconds to wait before trying again",
        "schema": {"type": "integer", "minimum": 1},
    }
}


def with_refusals(result: dict[str, Any], generator: Any, **_: Any) -> dict[str, Any]:
    """Give every operation its refusals as problem documents; its own wording of one stays."""
    for operations in result["paths"].values():
        for verb, operation in operations.items():
            refusals = OF_EVERY_CALL if verb == "get" else OF_EVERY_CALL | OF_A_BODY
            if verb == "get":
                operation["responses"].setdefault(*UNCHANGED)
            for status, why in refusals.items():
                operation["responses"].setdefault(status, {"description": why})
            for status, response in operation["responses"].items():
                if status[0] in "45":
                    response["content"] = _BODY
                    response["description"] = response["description"] or WORDS[status]
                for media_type in AS_A_FILE:
                    if media_type in response.get("content", {}):
                        response["content"][media_type] = {"schema": {"type": "string"}}
                if status in WITH_RETRY_AFTER:
                    response["headers"] = _RETRY_AFTER
            operation["responses"] = dict(sorted(operation["responses"].items()))
    return result
