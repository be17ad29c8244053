"""Debian's Chromium, driven by Playwright against the live pages."""

from collections.abc import Callable, Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Page,
    sync_playwright,
)

from tests.browser.screenshots import CHROMIUM
from tests.frontend.small_trial import SmallTrial, small_trial

# WCAG 2.2 A and AA and the practices axe knows; nothing is switched off.
AXE = Axe()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    # Playwright keeps an event loop in this thread, where Django would refuse to use the ORM.
    with pytest.MonkeyPatch.context() as patch, sync_playwright() as playwright:
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "1")
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def pots(browser, transactional_db) -> SmallTrial:
    return small_trial()


def is_a_fault(message: ConsoleMessage) -> bool:
    """Chromium calls every 4xx an error; a form that was refused (422) is a proper answer."""
    return message.type == "error" and "a status of 422" not in message.text


@pytest.fixture
def new_page(browser: Browser, live_server) -> Iterator[Callable[..., Page]]:
    """Pages in contexts of their own. Anything the console calls an error fails the test."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def make(**options: object) -> Page:
        context = browser.new_context(base_url=live_server.url, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda m: complaints.append(m.text) if is_a_fault(m) else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        return page

    yield make
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture
def page(new_page) -> Page:
    return new_page()


@pytest.fixture
def check_page() -> Callable[[Page], None]:
    """No accessibility violation, and no sideways scrolling of the page itself."""

    def check(page: Page) -> None:
        result = AXE.run(page)
        found = [(v["id"], [n["html"] for n in v["nodes"]]) for v in result.response["violations"]]
        assert found == [], page.url
        assert page.evaluate(
            "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
        ), f"{page.url} scrolls sideways"

    return check
