"""Save every page of a running registry at desktop and phone width, in light and dark.

    COHEAP_EMAIL=… COHEAP_PASSWORD=… python tests/browser/screenshots.py http://127.0.0.1:8000 TO

Codes are found by following the first link of each list, so it works with any data.
"""

import os
import sys
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = "/usr/bin/chromium"
WIDTHS = (1280, 360)
PUBLIC = (
    "/",
    "/materials/",
    "/trials/",
    "/releases/",
    "/across/",
    "/methods/",
    "/glossary/",
    "/preferences/",
    "/components/",
    "/safety/",
)
PUBLIC_EXTRA = ("/log-in/", "/no-such-page/")
SIGNED_IN = ("/today/", "/look/", "/uploads/", "/bags/", "/labels/", "/tokens/", "/plan/")


def main(address: str, folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        paths = _all_paths(browser, address)
        for width in WIDTHS:
            for scheme in ("light", "dark"):
                page = _page(browser, address, width, scheme)
                for name, path in paths:
                    page.goto(address + path)
                    target = folder / f"{name}-{width}-{scheme}.png"
                    page.screenshot(path=target, full_page=True)
        browser.close()


def _page(browser: Browser, address: str, width: int, scheme: str) -> Page:
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    if "COHEAP_EMAIL" in os.environ:
        page.goto(f"{address}/log-in/")
        page.get_by_label("E-mail address").fill(os.environ["COHEAP_EMAIL"])
        page.get_by_label("Password").fill(os.environ["COHEAP_PASSWORD"])
        page.get_by_role("button", name="Log in").click()
    return page


def _all_paths(browser: Browser, address: str) -> list[tuple[str, str]]:
    """Name and path of every page, the first of each kind."""
    page = _page(browser, address, WIDTHS[0], "light")
    signed_in = "COHEAP_EMAIL" in os.environ
    paths = list(PUBLIC) + ([] if signed_in else list(PUBLIC_EXTRA))
    paths += SIGNED_IN if signed_in else ()
    for listing, part in (
        ("/materials/", "/materials/"),
        ("/trials/", "/trials/"),
        ("/releases/", "/releases/"),
        ("/uploads/", "/uploads/"),
    ):
        paths += _first_link(page, address + listing, part)
    paths.append(_comparison(page, address))
    trials = [path for path in paths if path.startswith("/trials/") and path != "/trials/"]
    for trial in trials:
        pooled = f"{trial}pooled/"
        paths += [pooled, f"{trial}explained/", *_first_link(page, address + pooled, pooled)]
        paths += [f"{trial}completeness/", *_first_link(page, address + trial, "/runs/")]
        paths += _first_link(page, address + trial, "/sites/")
    paths += _of_a_bag(page, address) if signed_in else []
    return [(_name(path), path) for path in dict.fromkeys(paths)]


def _name(path: str) -> str:
    plain, _, asked = path.partition("?")
    name = plain.strip("/").replace("/", "_") or "home"
    return f"{name}-{asked.partition('=')[2].partition('&')[0]}" if asked else name


def _comparison(page: Page, address: str) -> str:
    """The first four materials that can be ticked, side by side."""
    page.goto(f"{address}/materials/")
    boxes = page.locator("input[name='m']")
    codes = [boxes.nth(i).get_attribute("value") for i in range(min(4, boxes.count()))]
    return "/compare/?" + "&".join(f"m={code}" for code in codes)


def _of_a_bag(page: Page, address: str) -> list[str]:
    """The first bag's page, and the form for a look at it: the choice, and two outcomes."""
    bags = page.request.get(f"{address}/api/v1/bags/?page_size=1").json()["results"]
    found = [f"/trials/{bag['trial']}/bags/{bag['bag_label']}/" for bag in bags]
    asked = ("", "?outcome=recovered", "?outcome=bag_lost")
    return [*found, *(f"{path}look/{outcome}" for path in found for outcome in asked)]


def _first_link(page: Page, listing: str, part: str) -> list[str]:
    page.goto(listing)
    links = page.locator(f"main a[href^='{part}']")
    hrefs = [links.nth(i).get_attribute("href") or "" for i in range(links.count())]
    return [href for href in hrefs if href.startswith(part) and href != part][:1]


if __name__ == "__main__":
    main(sys.argv[1].rstrip("/"), Path(sys.argv[2]))
