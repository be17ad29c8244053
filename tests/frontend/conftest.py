import itertools

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from tests.frontend.small_trial import log_in, small_trial


@pytest.fixture
def pots(db):
    return small_trial()


@pytest.fixture
def coordinator(client, pots):
    """The test client, logged in as the trial's coordinator."""
    log_in(client, pots.coordinator)
    return client


@pytest.fixture
def count_queries():
    """Queries of one GET whose page was never asked for before, so that no copy is kept."""
    fresh = itertools.count()

    def count(client, url: str) -> int:
        with CaptureQueriesContext(connection) as queries:
            assert client.get(url, {"fresh": next(fresh)}).status_code == 200
        return len(queries)

    return count


@pytest.fixture
def client_factory():
    """Browsers of other people."""
    return Client
