"""One journey for each kind of person, found by role and label as they would."""

import hashlib
import zipfile
from datetime import timedelta

import pytest
from playwright.sync_api import Locator, Page, expect

from registry.models import Pile, PoolingRun, Retrieval, User
from registry.permissions import Actor
from registry.services.pooling import execute_run, open_run
from registry.services.releases import freeze_release
from tests import factories
from tests.browser.test_every_page import log_in
from tests.frontend.small_trial import PASSWORD, START, small_trial
from tests.pictures import from_a_phone

pytestmark = pytest.mark.browser


@pytest.fixture(autouse=True)
def _nobody_answers_the_bell(monkeypatch):
    """The tests themselves are the worker, so that they see a run before and after."""
    monkeypatch.setattr("registry.jobs.pooling.run_pooling.delay", lambda run_id: None)


def newest_run() -> PoolingRun:
    return PoolingRun.objects.order_by("-pk")[0]


def test_a_grower_finds_a_pot_by_keyboard_and_learns_what_to_do(pots, new_page, check_page):
    page: Page = new_page(viewport={"width": 360, "height": 740})
    page.goto("/")
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the content")).to_be_focused()

    page.get_by_role("link", name="Find a material").click()
    page.get_by_label("Search").fill("fibre")
    page.get_by_label("What is it?").select_option("Pot")
    page.get_by_label("How hot is your pile?").select_option("Hot piles")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_role("heading", name="1 material", exact=True)).to_be_visible()
    page.get_by_role("link", name="Moulded fibre pot, 8 cm").click()

    expect(page.get_by_role("heading", level=1)).to_have_text("Moulded fibre pot, 8 cm")
    expect(page.get_by_text("In about 2 of 10 piles like these, it is gone").first).to_be_visible()
    expect(page.get_by_role("img", name="When the item is gone")).to_be_visible()
    expect(page.get_by_role("heading", name="How to do it")).to_be_visible()
    expect(page.get_by_role("heading", name="What this does not mean")).to_be_visible()
    check_page(page)

    page.get_by_text("Words on this page").click()
    expect(page.get_by_text("A small net bag with a label.")).to_be_visible()
    page.get_by_role("link", name="Hot piles").click()
    expect(page.get_by_role("link", name="All piles on trial")).to_be_visible()


def test_a_grower_compares_three_items_in_german_on_a_phone(pots, new_page, check_page):
    page: Page = new_page(viewport={"width": 360, "height": 740}, java_script_enabled=False)
    page.goto("/materials/")
    page.get_by_role("link", name="Language and units").click()
    page.get_by_label("Language").select_option("Deutsch")
    page.get_by_label("Temperature").select_option("in °F")
    page.get_by_role("button", name="Keep this").click()

    expect(page.get_by_role("heading", level=1)).to_have_text("Materialien")
    for name in ("Cellulose film, clear", "Moulded fibre pot, 8 cm", "Plant clip of polyester"):
        page.get_by_label(f"Vergleichen {name}").check()
    page.get_by_role("button", name="Vergleichen").click()

    expect(page.get_by_role("heading", level=1)).to_have_text("Materialien vergleichen")
    section = page.get_by_role("region", name="Was zu tun ist")
    expect(section.get_by_role("listitem")).to_have_count(3)
    expect(section.get_by_text("Lassen Sie es aus dem Haufen")).to_be_visible()
    pictures = page.get_by_role("img", name="Wann das Teil weg ist")
    expect(pictures).to_have_count(3)
    page.get_by_role("link", name="Moulded fibre pot, 8 cm").first.click()
    expect(page.get_by_text("Ziel sind 131 °F im Kern")).to_be_visible()


def test_a_coordinator_pools_and_watches_it_finish_without_touching_the_page(
    pots, page, check_page
):
    log_in(page, pots.coordinator.email)
    page.get_by_role("link", name="Trials").first.click()
    page.get_by_role("link", name=pots.trial.title).click()
    page.get_by_role("button", name="Pool the data now").click()
    expect(page.get_by_text("Waiting for a worker")).to_be_visible()
    check_page(page)

    assert execute_run(newest_run().pk)

    page.get_by_role("link", name="See the pooled results").click()
    whole_run(page).get_by_role("link", name="Moulded fibre pot, 8 cm").click()
    expect(page.get_by_role("heading", name="Site by site")).to_be_visible()
    expect(page.get_by_role("img", name="Decay rate of each site")).to_be_visible()
    table = page.get_by_role("table", name="Decay rate (per day), site by site")
    expect(table.get_by_role("rowheader", name="Sand Ridge")).to_be_visible()
    expect(page.get_by_role("rowheader", name="A new pile at a new site")).to_be_visible()
    check_page(page)


def whole_run(page: Page) -> Locator:
    return page.get_by_role("region", name="All materials of the run")


def test_the_same_without_javascript(pots, new_page):
    page: Page = new_page(java_script_enabled=False)
    log_in(page, pots.coordinator.email)
    page.goto(f"/trials/{pots.trial.code}/")
    page.get_by_role("button", name="Pool the data now").click()
    expect(page.get_by_text("Waiting for a worker")).to_be_visible()

    assert execute_run(newest_run().pk)
    page.get_by_role("link", name="Look again").click()

    page.get_by_role("link", name="See the pooled results").click()
    expect(whole_run(page).get_by_role("link", name="Plant clip of polyester")).to_be_visible()
    page.get_by_role("button", name="Log out").click()
    expect(page.get_by_role("link", name="Log in")).to_be_visible()


def test_a_coordinator_freezes_a_release_and_a_meta_analyst_downloads_it(
    browser, transactional_db, new_page, settings, tmp_path
):
    settings.RELEASES_DIR = tmp_path
    pots = small_trial(released=False)
    by = Actor(user=pots.coordinator)
    run, _ = open_run(trial=pots.trial, by=by)
    assert execute_run(run.pk)
    office: Page = new_page()
    log_in(office, pots.coordinator.email)
    office.goto(f"/trials/{pots.trial.code}/")
    office.get_by_role("link", name="Prepare the next version").click()
    office.get_by_label("What is new in this version").fill("Pooled again.")
    office.get_by_label("Freeze it: it becomes public").check()
    office.get_by_role("button", name="Freeze the next version").click()
    expect(office.get_by_text("Version 1 is frozen.")).to_be_visible()

    reader: Page = new_page()
    reader.goto("/")
    reader.get_by_role("link", name="Releases").first.click()
    reader.get_by_role("link", name="POTS-26, version 1", exact=True).click()
    sha256 = reader.get_by_role("row", name="SHA-256").get_by_role("cell").inner_text()
    with reader.expect_download() as download:
        reader.get_by_role("link", name="Download the data package").click()
    path = tmp_path / "got.zip"
    download.value.save_as(path)

    assert hashlib.sha256(path.read_bytes()).hexdigest() == sha256
    assert "datapackage.json" in " ".join(zipfile.ZipFile(path).namelist())
    assert freeze_release(trial=pots.trial, by=by, notes="Pooled again.").version == 1


def test_a_technician_issues_a_token_and_revokes_it(pots, page):
    pots.sites[0].memberships.create(user=pots.coordinator)
    log_in(page, pots.coordinator.email)
    account = page.get_by_role("navigation", name="Your account")
    account.get_by_role("link", name="Uploads").click()
    page.get_by_role("link", name="Access tokens").click()
    page.get_by_label("For").select_option(pots.sites[0].name)
    page.get_by_label("Name of the token").fill("balance room")
    page.get_by_role("button", name="Issue the token").click()

    expect(page.get_by_role("heading", name="Your new token")).to_be_visible()
    page.get_by_role("button", name="Revoke balance room").click()
    expect(page.get_by_text("“balance room” no longer works")).to_be_visible()


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_a_technician_lifts_a_bag_and_writes_the_look_on_a_phone(
    pots, new_page, check_page, settings, tmp_path, script
):
    settings.PHOTOS_DIR = tmp_path
    user = User.objects.create_user("lab@example.org", PASSWORD)
    pots.sites[0].memberships.create(user=user)
    pile = Pile.objects.get(site=pots.sites[0], code="P1")
    factories.Bag(
        trial=pots.trial,
        pile=pile,
        label="P1-LAST",
        material=pots.materials[1],
        buried_on=START,
        initial_mass_g=10,
        planned_days=28,
    )
    photo = tmp_path / "from the phone.jpg"
    photo.write_bytes(from_a_phone(orientation=6))
    page: Page = new_page(
        viewport={"width": 360, "height": 740}, has_touch=True, java_script_enabled=script
    )
    log_in(page, user.email)

    # The day begins with what is overdue.
    expect(page.get_by_role("heading", level=1)).to_contain_text("Today, ")
    expect(page.get_by_text("1 bag is overdue")).to_be_visible()
    page.get_by_role("link", name="Write down a look").click()
    page.get_by_label("Label of the bag").fill("p1-last")
    page.get_by_role("button", name="Find the bag").click()

    # The outcome comes first; only then is there a number to type.
    mass = page.get_by_label("Dry mass of the residue, cleaned")
    expect(page.get_by_role("heading", name="What became of the bag?")).to_be_visible()
    expect(mass).to_have_count(0)
    page.get_by_role("link", name="The bag is lost").click()
    expect(mass).to_have_count(0)
    page.get_by_role("link", name="Choose again").click()
    page.get_by_role("link", name="Something is left").click()

    # A slip of the decimal point is told at its field, and what was typed stays.
    page.get_by_label("Day of the look").fill((START + timedelta(30)).isoformat())
    mass.fill("412")
    page.get_by_role("button", name="Store this look").click()
    expect(page.get_by_role("heading", name="Not stored yet")).to_be_visible()
    expect(mass).to_have_value("412")
    expect(mass).to_have_attribute("aria-invalid", "true")
    if script:
        check_page(page)

    mass.fill("4,12")
    page.get_by_label("Pieces").select_option("2: large pieces")
    page.get_by_label("First photo", exact=True).set_input_files(photo)
    page.get_by_label("First photo: what is to be seen").fill("rim and base")
    page.get_by_role("button", name="Store this look").click()

    expect(page.get_by_text("Stored.")).to_be_visible()
    expect(page.get_by_text("41 % of the dry start mass")).to_be_visible()
    expect(page.get_by_role("img", name="rim and base")).to_be_visible()
    if script:
        check_page(page)
    look = Retrieval.objects.get(bag__label="P1-LAST")
    assert (look.dry_mass_g, look.fragmentation) == (4.12, 2)
    assert look.upload.rows == 1

    page.get_by_role("link", name="Today").click()
    expect(page.get_by_text("Nothing is overdue, nothing is missing.")).to_be_visible()
    page.get_by_role("link", name="Pile P1, Low Meadow yard").first.click()
    expect(page.get_by_role("heading", name="Rules of time and heat")).to_be_visible()


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_a_coordinator_decides_two_findings_and_the_audit_trail_tells_it(
    pots, new_page, check_page, script
):
    looks = Retrieval.objects.filter(outcome="recovered", bag__trial=pots.trial)[:2]
    findings = [factories.Flag(pile=look.bag.pile, retrieval=look) for look in looks]
    page: Page = new_page(viewport={"width": 360, "height": 740}, java_script_enabled=script)
    log_in(page, pots.coordinator.email)
    page.goto(f"/trials/{pots.trial.code}/")
    page.get_by_role("link", name="Quality queue").click()
    expect(page.get_by_text("2 findings wait for a decision.")).to_be_visible()
    page.get_by_role("link", name="Begin with the first").click()

    # By keyboard alone, and the next finding comes by itself.
    page.get_by_label("Exclude from pooling").focus()
    page.keyboard.press("Space")
    page.get_by_label("Reason").focus()
    page.keyboard.type("soil on the dish")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Look at it again or take it back")
    if script:
        check_page(page)
    page.get_by_label("Accept: it is right as it is").check()
    page.get_by_label("Reason").fill("weighed again")
    page.get_by_role("button", name="Decide").click()
    expect(page.get_by_text("No finding waits for a decision.")).to_be_visible()

    page.goto(f"/trials/{pots.trial.code}/")
    page.get_by_role("link", name="Audit trail").click()
    expect(page.get_by_text("soil on the dish")).to_be_visible()
    expect(page.get_by_text("weighed again")).to_be_visible()
    for finding in findings:
        finding.refresh_from_db()
    assert sorted(finding.decision for finding in findings) == ["accept", "exclude"]
