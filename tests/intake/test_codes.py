"""The list of permanent codes is whole: each is said somewhere, and each one said is in it."""

import re
from pathlib import Path

import pytest

from registry.errors import Fault
from registry.intake import codes
from registry.intake.faults import FaultBook

REGISTRY = Path(codes.__file__).parents[1]
SOURCES = {
    path: path.read_text()
    for folder in ("intake", "services")
    for path in (REGISTRY / folder).rglob("*.py")
    if path.name != "codes.py"
}


@pytest.mark.parametrize("code", sorted(set(codes.FAULT_CODES) - set(codes.CHANGED_CODES)))
def test_every_listed_code_is_used(code: str) -> None:
    elsewhere = ("not_allowed", "not_found", "body_too_large")  # said by the classes of errors

    assert code in elsewhere or any(f'"{code}"' in text for text in SOURCES.values())


def test_every_code_of_an_unreadable_body_is_listed() -> None:
    said = {
        code
        for path, text in SOURCES.items()
        if path.parent.name == "intake"
        for code in re.findall(r'code="(\w+)"', text)
    }

    assert said
    assert said <= set(codes.FAULT_CODES)


def test_a_code_that_is_not_listed_cannot_be_told() -> None:
    with pytest.raises(LookupError):
        FaultBook().note(Fault(1, "", "made_up", "Something."))
