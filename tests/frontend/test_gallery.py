"""The page of components names what exists, shows it, and reads no table."""

import re

import pytest
from django.conf import settings
from django.urls import reverse

COMPONENTS = settings.PROJECT_DIR / "frontend/templates/frontend/components"
STYLES = settings.PROJECT_DIR / "frontend/static/frontend/components.css"


@pytest.fixture
def page(client) -> str:
    return client.get(reverse("frontend:gallery")).content.decode()


def named(page: str) -> list[str]:
    return [name for title in re.findall(r"<h2>(.*?)</h2>", page) for name in _codes(title)]


def _codes(title: str) -> list[str]:
    return re.findall(r"<code>(.*?)</code>", title)


def test_a_dozen_components_are_shown_under_names_that_exist(page):
    names = named(page)
    styles = STYLES.read_text()

    assert len(names) >= 12
    for name in names:
        if name.endswith(".html"):
            assert (COMPONENTS / name).exists(), name
        elif name != "ten_piles":  # a tag, whose class is written with a hyphen
            assert f".{name}" in styles, name
            assert re.search(rf'class="[^"]*\b{name}\b', page), name
    assert 'class="ten-piles"' in page


def test_it_needs_no_data(client):
    # Without the mark of the database, any query would fail this test.
    assert client.get(reverse("frontend:gallery")).status_code == 200
