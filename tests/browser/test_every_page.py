"""Every page, on a small phone, at a desk, in the dark: no accessibility violation, no overflow."""

import pytest
from django.urls import reverse
from playwright.sync_api import Page

from registry.columns import OUTCOMES
from registry.models import (
    Feedstock,
    Flag,
    Pile,
    PoolingRun,
    Retrieval,
    SiteMembership,
    Turning,
    Upload,
    UploadFault,
)
from registry.permissions import Actor
from registry.services.photos import add_photo
from tests import factories
from tests.frontend.small_trial import FROZEN, PASSWORD, SmallTrial
from tests.frontend.test_pile_page import logged
from tests.pictures import from_a_phone

pytestmark = pytest.mark.browser

SCREENS = {
    "phone": {"viewport": {"width": 320, "height": 640}},
    "dark desk": {"viewport": {"width": 1280, "height": 900}, "color_scheme": "dark"},
    "forced colours": {"viewport": {"width": 320, "height": 640}, "forced_colors": "active"},
}


def public_pages(pots: SmallTrial) -> list[str]:
    plain = ("home", "materials", "trials", "releases", "methods", "glossary", "safety", "login")
    return [
        *(reverse(f"frontend:{name}") for name in plain),
        reverse("frontend:material", args=["POTS-26-M1"]),
        reverse("frontend:trial", args=["POTS-26"]),
        reverse("frontend:release", args=[pots.release.pk]),
        reverse("frontend:pooled", args=["POTS-26"]),
        reverse("frontend:explained", args=["POTS-26"]),
        reverse("frontend:pooled-material", args=["POTS-26", "POTS-26-M1"]),
        reverse("frontend:materials") + "?q=nothing+like+it",
        reverse("frontend:materials") + "?heat=cool",
        reverse("frontend:material", args=["POTS-26-M1"]) + "?heat=hot",
        reverse("frontend:compare"),
        reverse("frontend:compare") + "?m=POTS-26-M0&m=POTS-26-M1&m=POTS-26-M2",
        reverse("frontend:preferences"),
        reverse("frontend:gallery"),
        reverse("frontend:across"),
        reverse("frontend:across") + "?material=POTS-26-M1",
    ]


def pages_behind_the_log_in(pots: SmallTrial) -> list[str]:
    SiteMembership.objects.create(user=pots.coordinator, site=pots.sites[0])
    upload = Upload.objects.create(
        kind="bags",
        state="rejected",
        sha256="b" * 64,
        content_type="text/csv",
        size_bytes=2048,
        file_name="a rather long file name of the first week.csv",
        error_total=1,
        site=pots.sites[0],
    )
    UploadFault.objects.create(
        upload=upload, row=3, field="initial_mass_g", code="out_of_range", message="Too heavy."
    )
    running = PoolingRun.objects.create(
        trial=pots.trial, input_digest="e" * 64, model_version="1", stage="sites", done=1, total=9
    )
    heated_pile(pots)
    return [
        reverse("frontend:today"),
        reverse("frontend:uploads"),
        reverse("frontend:upload", args=[upload.pk]),
        reverse("frontend:bags"),
        reverse("frontend:labels"),
        reverse("frontend:tokens"),
        reverse("frontend:pile", args=[pots.sites[0].code, "P1"]),
        reverse("frontend:find-bag") + "?label=NOPE-1",
        *looks_of_a_bag(pots),
        reverse("frontend:trial", args=["POTS-26"]),
        reverse("frontend:completeness", args=["POTS-26"]),
        reverse("frontend:plan"),
        reverse("frontend:plan") + "?trial=POTS-26&material=POTS-26-M1&goal_factor=1.2&sites=x",
        reverse("frontend:plan")
        + "?rate_per_day=0.03&decay_tau2_site=0.1&decay_a=0.001&goal_factor=1.3&day_residual=9",
        reverse("frontend:run", args=[pots.run.pk]),
        reverse("frontend:run-report", args=[pots.run.pk]),
        reverse("frontend:run", args=[running.pk]),
        *coordinators_pages(pots),
    ]


def coordinators_pages(pots: SmallTrial) -> list[str]:
    """The queue with a finding, the story of its look, the people, and what is to be released."""
    look = Retrieval.objects.filter(outcome="recovered", bag__trial=pots.trial)[0]
    finding = factories.Flag(pile=look.bag.pile, retrieval=look)
    of_trial = [
        reverse(f"frontend:{name}", args=[pots.trial.code])
        for name in ("queue", "glance", "trial-story", "trial-members", "freeze")
    ]
    return [
        *of_trial,
        reverse("frontend:flag", args=[pots.trial.code, finding.pk]),
        reverse("frontend:look", args=[look.pk]),
        reverse("frontend:bag", args=[look.bag_id]),
        reverse("frontend:site-members", args=[pots.sites[0].code]),
        reverse("frontend:account"),
    ]


def looks_of_a_bag(pots: SmallTrial) -> list[str]:
    """A bag with a photo, and the form for its next look: the choice, and every outcome."""
    look = Retrieval.objects.filter(bag__pile__site=pots.sites[0], outcome="recovered")[0]
    add_photo(retrieval=look, body=from_a_phone(), by=Actor(user=pots.coordinator))
    of_bag = [pots.trial.code, look.bag.label]
    form = reverse("frontend:write-look", args=of_bag)
    return [
        reverse("frontend:labelled-bag", args=of_bag),
        form,
        *(f"{form}?outcome={outcome}" for outcome in OUTCOMES),
    ]


def heated_pile(pots: SmallTrial) -> None:
    """A pile with everything that its page can show."""
    pile = Pile.objects.get(site=pots.sites[0], code="P1")
    logged(pile, [50.0, 60.0, 72.0], first=0)
    logged(pile, [45.0, 40.0], first=6)
    logged(pile, [12.0] * 8, probe="AIR")
    Feedstock.objects.create(
        pile=pile,
        ingredient="straw",
        wet_mass_kg=100,
        moisture_pct=12,
        carbon_pct=45,
        nitrogen_pct=0.7,
    )
    Turning.objects.create(pile=pile, turned_at=FROZEN, water_added_l=40, notes="dry inside")
    Flag.objects.create(
        pile=pile,
        probe="CORE",
        code="gap_while_hot",
        message="No readings for 72 hours.",
        from_at=FROZEN,
        until_at=FROZEN,
    )


def log_in(page: Page, email: str) -> None:
    page.goto(reverse("frontend:login"))
    page.get_by_label("E-mail address").fill(email)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()


@pytest.mark.parametrize("screen", SCREENS)
def test_public_pages_are_accessible_and_fit(screen, pots, new_page, check_page):
    page = new_page(**SCREENS[screen])
    for path in public_pages(pots):
        page.goto(path)
        check_page(page)


@pytest.mark.parametrize("screen", SCREENS)
def test_pages_behind_the_log_in_are_accessible_and_fit(screen, pots, new_page, check_page):
    page = new_page(**SCREENS[screen])
    log_in(page, pots.coordinator.email)
    for path in pages_behind_the_log_in(pots):
        page.goto(path)
        check_page(page)


def test_error_pages_are_accessible(pots, browser, live_server, check_page):
    # A missing page is an error on the console too, so this test listens to none.
    page = browser.new_page(base_url=live_server.url)
    page.goto("/no-such-page/")
    check_page(page)
    assert page.get_by_role("heading", name="Nothing here").is_visible()
    page.close()


def test_one_of_the_two_drawings_is_shown_and_its_text_is_not_shrunk(pots, new_page):
    for width, shown, hidden in ((320, "narrow", "wide"), (1280, "wide", "narrow")):
        page = new_page(viewport={"width": width, "height": 800})
        page.goto(reverse("frontend:material", args=["POTS-26-M1"]))
        drawing = page.locator(f".chart-{shown} svg")

        assert drawing.is_visible()
        assert not page.locator(f".chart-{hidden} svg").is_visible()
        assert drawing.bounding_box()["width"] == float(drawing.get_attribute("width"))


def test_a_printed_page_leaves_out_what_cannot_be_clicked(pots, page):
    page.goto(reverse("frontend:trial", args=["POTS-26"]))
    page.emulate_media(media="print")

    assert not page.get_by_role("navigation", name="Main").is_visible()
    assert page.get_by_role("heading", name="Protocol").is_visible()
