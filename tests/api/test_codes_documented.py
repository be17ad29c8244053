"""Codes are permanent: every one that a refusal can carry stands on the page that explains them."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from rest_framework import serializers

from api.v1 import error_reference, estimates, quality, registration, releases
from registry.intake.codes import FAULT_CODES
from tests.world import Call

PROJECT_DIR = Path(__file__).parents[2]
# Where codes of refusals are written; the findings and warnings of the science are no refusals.
SOURCES = ("registry/errors.py", "registry/intake", "registry/services", "api/v1")
ERRORS_TAKE_CODE_AT = {"Fault": 2, "problem": 1}


@pytest.fixture(scope="module")
def documented() -> set[str]:
    groups = [error_reference.request_codes(), *(codes for _, codes in error_reference.GROUPS)]
    return {code for codes in groups for code in codes}


def test_page_has_an_entry_to_link_to_for_every_code(call: Call, documented: set[str]) -> None:
    page = call("GET", "/docs/errors/").content.decode()

    entries = re.findall(r'<dt id="([^"]+)">.*?<dd>(.*?)</dd>', page, re.DOTALL)
    assert documented | set(FAULT_CODES) <= {code for code, _ in entries}
    assert all(meaning.strip() for _, meaning in entries)


def test_every_code_in_the_source_is_documented(documented: set[str]) -> None:
    written = {code: path for path in _files() for code in _codes(ast.parse(path.read_text()))}

    assert len(written) > 30
    assert {code: str(path) for code, path in written.items() if code not in documented} == {}


def test_every_code_of_a_json_form_is_documented(documented: set[str]) -> None:
    shapes = [
        shape
        for module in (registration, quality, releases, estimates)
        for shape in vars(module).values()
        if isinstance(shape, type) and issubclass(shape, serializers.Serializer)
        if shape.__name__.endswith("In")
    ]

    used = {code for shape in shapes for code in _form_codes(shape())}

    assert {"required", "invalid_choice", "max_length"} <= used
    assert used - documented == set()


def _files() -> Iterator[Path]:
    for source in SOURCES:
        path = PROJECT_DIR / source
        yield from [path] if path.is_file() else path.rglob("*.py")


def _codes(tree: ast.Module) -> Iterator[str]:
    """Codes given as `code="…"` to a call, at their place in a Fault, or as a class attribute."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            for word in node.keywords:
                if word.arg == "code":
                    yield from _text(word.value)
            place = ERRORS_TAKE_CODE_AT.get(getattr(node.func, "id", ""))
            if place is not None and len(node.args) > place:
                yield from _text(node.args[place])
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "code":
            yield from _text(node.value)


def _text(node: ast.expr) -> Iterator[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value


def _form_codes(field: serializers.Field) -> Iterator[str]:
    yield from field.error_messages
    yield from (v.code for v in field.validators if isinstance(getattr(v, "code", None), str))
    for child in (*getattr(field, "fields", {}).values(), getattr(field, "child", None)):
        if child is not None:
            yield from _form_codes(child)
