"""Requests generated from the OpenAPI document: no 500, and no answer that it does not describe.

Everything runs in this process, over the WSGI interface, with a coordinator's token. Each operation
starts from the same small trial. `slow` is the long run; both print how much was tried.
"""

from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.db import close_old_connections, transaction
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.schemas import APIOperation
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from api.v1.throttling import PerActor, PerAddress
from registry.config.wsgi import application
from registry.models import Bag, Pile, Retrieval, Upload
from tests.world import World

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
# Rows of the small trial; made-up ids and codes alone would hardly ever lead anywhere.
NAMED_BY_CODE = {"trial": "TRIAL-1", "code": "PAPER"}
NAMED_BY_ID = {"piles": Pile, "bags": Bag, "retrievals": Retrieval, "uploads": Upload}
FEWEST_OPERATIONS = 50


@pytest.fixture
def document(world: World, looked_at: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """The document as served, read by an outside program; nobody is held up by rate limits."""
    for throttle in (PerActor, PerAddress):
        monkeypatch.setattr(throttle, "allow_request", lambda *_: True)
    # The one connection holds the test's transaction; a request must not close it, as Django's own
    # test client sees to as well.
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield schemathesis.openapi.from_wsgi("/api/v1/schema/?format=json", application)
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


def test_generated_requests_are_answered_as_the_document_says(document: Any, world: World) -> None:
    _try_every_operation(document, world, examples=8)


@pytest.mark.slow
def test_thousands_of_generated_requests_are_answered_as_the_document_says(
    document: Any, world: World
) -> None:
    tried = _try_every_operation(document, world, examples=80)

    assert tried >= 5_000


def _try_every_operation(document: Any, world: World, *, examples: int) -> int:
    """Try each operation with sound and unsound requests; returns how many were sent."""
    operations = [found.ok() for found in document.get_all_operations()]
    assert len(operations) >= FEWEST_OPERATIONS
    statuses: Counter[int] = Counter()
    wrong = []
    for operation in operations:
        try:
            with transaction.atomic():
                _try(operation, world, examples, statuses)
                transaction.set_rollback(True)
        except (Exception, FailureGroup) as error:  # go on: each operation's own trouble is told
            wrong.append(f"{operation.label}: {error!r}\n{_told(error)}")
    print(f"\n{statuses.total()} requests to {len(operations)} operations: {dict(statuses)}")  # noqa: T201
    assert not wrong, f"{len(wrong)} operations:\n\n" + "\n\n".join(wrong)
    return statuses.total()


def _try(operation: APIOperation, world: World, examples: int, statuses: Counter[int]) -> None:
    headers = {"Authorization": f"Bearer {world.tokens['coordinator']}"}
    sound = operation.as_strategy(schemathesis.GenerationMode.POSITIVE)
    unsound = operation.as_strategy(schemathesis.GenerationMode.NEGATIVE)

    @seed(20260407)
    @settings(
        max_examples=examples,
        database=None,
        deadline=None,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=sound | unsound, aimed=st.booleans(), accept=st.sampled_from(_accepts(operation)))
    def answered(case: schemathesis.Case, aimed: bool, accept: str) -> None:
        if aimed:
            _aim(case)
        with transaction.atomic():
            response = case.call(headers={**headers, "Accept": accept})
        statuses[response.status_code] += 1
        case.validate_response(response, checks=CHECKS)
        assert response.status_code != 406, f"{accept} is offered"

    answered()


def _accepts(operation: APIOperation) -> list[str]:
    """The formats that the document offers for what went well, and any."""
    offered = {
        media_type
        for status, response in operation.definition.raw["responses"].items()
        for media_type in response.get("content", {})
        if status[0] == "2"
    }
    return sorted(offered | {"*/*"})


def _aim(case: schemathesis.Case) -> None:
    """Let the address lead to a row that exists, and the list begin at its first page."""
    named: dict[str, Any] = dict(NAMED_BY_CODE)
    if model := NAMED_BY_ID.get(case.operation.path.split("/")[3]):
        named["id"] = model._default_manager.values_list("pk", flat=True).first()
    for name in set(named) & set(case.path_parameters or {}):
        case.path_parameters[name] = named[name]
    if isinstance(case.query, dict):
        case.query.pop("cursor", None)


def _told(error: BaseException) -> str:
    """The parts of a group of errors, which its own text leaves out."""
    return "\n".join(str(part) for part in getattr(error, "exceptions", [error]))
