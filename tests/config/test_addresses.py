"""An address with a NUL leads nowhere, in the manner of each edge, and breaks nothing."""

import pytest

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    "address",
    ["/trials/%00/", "/materials/A%00B/", "/trials/T/bags/%00/", "/sites/%00/piles/P1/"],
)
def test_a_page_that_no_code_can_have_is_not_found(client, address):
    answer = client.get(address)

    assert answer.status_code == 404
    assert "Nothing here" in answer.content.decode()


def test_the_api_says_so_as_a_problem(client):
    answer = client.get("/api/v1/trials/%00/")

    assert answer.status_code == 404
    assert answer.json()["code"] == "not_found"
