"""Refusals have one shape at every address, and the OpenAPI document says so for each operation."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.core.cache import cache
from django.http import HttpResponse
from drf_spectacular.generators import SchemaGenerator

from api.v1.errors import PROBLEM
from tests.world import Call

ALWAYS = {"400", "401", "403", "404", "405", "406", "422", "429", "503"}
WITH_A_BODY = {"409", "413", "415"}
NO_BODY = ("/trials/{trial}/pooling-runs/",)
KNOWN = {"trial": "TRIAL-1", "code": "PAPER", "noun": "piles", "word": "datacite", "version": "1"}


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    return SchemaGenerator(api_version="v1").get_schema(request=None, public=True)


@pytest.fixture(autouse=True)
def _empty_cache() -> None:
    cache.clear()


def test_every_operation_documents_its_refusals_as_problem_documents(document) -> None:
    for path, verb, operation in _operations(document):
        refusals = {s: told for s, told in operation["responses"].items() if s[0] == "4"}
        expected = ALWAYS if verb == "get" else ALWAYS | WITH_A_BODY
        assert expected <= set(operation["responses"]), (path, verb)
        for status, told in refusals.items():
            assert list(told["content"]) == [PROBLEM], (path, verb, status)
            assert told["description"], (path, verb, status)


def test_every_address_refuses_another_verb_and_says_which_it_takes(document, call: Call) -> None:
    for path in document["paths"]:
        answer = call("DELETE", _address(path), as_="coordinator")

        assert answer["Allow"], path
        _is_a_problem(answer, 405, "method_not_allowed")


def test_every_address_that_takes_a_body_refuses_a_format_it_cannot_read(
    document, call: Call
) -> None:
    tried = 0
    for path, verb, _ in _operations(document):
        if verb == "get" or path.endswith(NO_BODY):
            continue
        answer = call(
            verb.upper(), _address(path), "x", as_="coordinator", Content_Type="text/plain"
        )

        _is_a_problem(answer, 415, "unsupported_format")
        tried += 1
    assert tried >= 12


@pytest.mark.parametrize("verb", ["GET", "POST", "DELETE"])
@pytest.mark.parametrize("path", ["/nothing/", "/piles/x/", "/bags/1/more/", "/a%0Ab/"])
def test_an_address_nobody_answers_is_a_problem_document_too(call: Call, verb, path) -> None:
    _is_a_problem(call(verb, path, as_="NORTH"), 404, "not_found")


def _operations(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, operations in document["paths"].items():
        for verb, operation in operations.items():
            yield path, verb, operation


def _address(path: str) -> str:
    """The address below the API's root, of something that may or may not exist."""
    filled = re.sub(r"\{(\w+)\}", lambda found: KNOWN.get(found[1], "1"), path)
    return filled.removeprefix("/api/v1")


def _is_a_problem(answer: HttpResponse, status: int, code: str) -> None:
    address = answer.request["PATH_INFO"]
    assert (address, answer.status_code) == (address, status)
    assert answer["Content-Type"] == PROBLEM
    told = answer.json()
    assert (told["status"], told["code"]) == (status, code)
    assert told["type"].endswith(f"/docs/errors/#{code}")
    assert told["title"]
    assert told["detail"]
