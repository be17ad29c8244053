"""A lab's day: what needs doing first on top, pile by pile, and what the registry believes."""

from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.urls import reverse

from registry.models import (
    Bag,
    Flag,
    Pile,
    ProbeDay,
    Retrieval,
    SiteMembership,
    Turning,
    Upload,
    UploadFault,
    User,
)
from registry.permissions import Actor
from registry.queries.beliefs import beliefs
from registry.queries.lab_day import lab_day, next_turning
from tests import factories
from tests.frontend.small_trial import PASSWORD, START, log_in

pytestmark = pytest.mark.django_db
# All bags of the small trial were lifted by day 84; this is day 30.
NOW = datetime(2026, 4, 1, 9, tzinfo=UTC)


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


@pytest.fixture
def person(pots) -> User:
    user = User.objects.create_user("lab@example.org", PASSWORD)
    SiteMembership.objects.create(user=user, site=pots.sites[0])
    return user


@pytest.fixture
def technician(client, person):
    with time_machine.travel(NOW, tick=False):
        log_in(client, person)
        yield client


def pile_of(pots, code: str) -> Pile:
    return Pile.objects.get(site=pots.sites[0], code=code)


def bag(pile: Pile, label: str, planned: int) -> Bag:
    return factories.Bag(
        pile=pile,
        trial=pile.trial,
        label=label,
        material=Bag.objects.filter(pile=pile)[0].material,
        buried_on=START,
        planned_days=planned,
    )


def recovered(**values: object) -> Retrieval:
    return factories.Retrieval(outcome="recovered", **values)


def page_of(client) -> str:
    return text_of(client.get(reverse("frontend:today")))


def test_the_pile_with_overdue_bags_comes_first(technician, pots):
    bag(pile_of(pots, "P1"), "SOON", 33)
    bag(pile_of(pots, "P2"), "LATE-1", 21)
    bag(pile_of(pots, "P2"), "LATE-2", 28)
    bag(pile_of(pots, "P2"), "NOW", 30)

    page = page_of(technician)

    assert "Today, 1 April 2026" in page
    assert "3 bags to lift." in page
    assert page.index("Pile P2, ") < page.index("Pile P1, ")
    assert "<strong>2 bags are overdue, by up to 9 d: lift them.</strong>" in page
    assert "1 bag is due today." in page
    assert "1 bag more this week." in page


def test_a_pile_that_overheats_comes_before_everything(technician, pots):
    bag(pile_of(pots, "P2"), "LATE-1", 21)
    hot = pile_of(pots, "P1")
    ProbeDay.objects.create(
        pile=hot,
        probe="CORE",
        day=NOW.date(),
        seconds=[0],
        celsius=[74.0],
        count=1,
        lowest_c=74,
        mean_c=74,
        highest_c=74,
    )

    page = page_of(technician)

    assert page.index("Pile P1, ") < page.index("Pile P2, ")
    assert "74 °C in the last days. Overheating: turn and wet the pile" in page


def test_a_residue_that_was_never_weighed_is_asked_for(technician, pots):
    late = bag(pile_of(pots, "P1"), "WET-1", 21)
    look = recovered(bag=late, retrieved_on=START + timedelta(21), dry_mass_g=None, wet_mass_g=9)
    back = bag(pile_of(pots, "P1"), "BACK-1", 60)
    recovered(
        bag=back,
        retrieved_on=START + timedelta(21),
        dry_mass_g=None,
        fragmentation=2,
        reburied=True,
    )

    page = page_of(technician)

    assert "1 residue to weigh." in page
    assert reverse("frontend:look", args=[look.pk]) in page
    assert "BACK-1" not in page


def test_turnings_go_on_by_the_piles_own_rhythm(technician, pots):
    pile = pile_of(pots, "P1")
    for day in (4, 11, 18, 26):
        at = datetime.combine(START + timedelta(day), datetime.min.time(), UTC)
        Turning.objects.create(pile=pile, turned_at=at + timedelta(hours=9))

    page = page_of(technician)

    assert "Last turned on 28 March 2026; by its own rhythm next on 4 April 2026." in page


@pytest.mark.parametrize(
    ("days", "today", "expected"),
    [
        ([], 0, None),
        ([1, 8], 9, None),
        ([1, 8, 15], 16, 22),
        ([1, 2, 12, 22], 23, 32),  # the median step, not the mean
        ([1, 1, 1], 2, 2),  # turned three times in a day: tomorrow
        ([1, 8, 15], 36, 22),  # three steps without one
        ([1, 8, 15], 37, None),  # given up
    ],
)
def test_a_rhythm_needs_two_steps_and_ends(days, today, expected):
    def on(day: int) -> date:
        return START + timedelta(day)

    found = next_turning([on(day) for day in days], today=on(today))

    assert found == (None if expected is None else on(expected))


def test_refused_files_of_the_site_and_of_the_person_are_shown_with_their_faults(
    technician, person, pots
):
    mine = factories.Upload(
        state="rejected", error_total=5, user=person, file_name="week 4.csv", created=0, rows=0
    )
    for row in range(1, 6):
        UploadFault.objects.create(
            upload=mine, row=row, field="dry_mass_g", code="not_a_number", message=f"Mend {row}."
        )
    factories.Upload(
        state="rejected", error_total=1, site=pots.sites[1], file_name="theirs.csv", rows=0
    )
    Upload.objects.update(received_at=NOW - timedelta(days=1))

    page = page_of(technician)

    assert "week 4.csv" in page
    assert "Row 1, <code>dry_mass_g</code>: Mend 1." in page
    assert "Mend 4." not in page
    assert "2 faults more" in page
    assert "theirs.csv" not in page


def test_an_old_refusal_is_history(technician, person):
    factories.Upload(state="rejected", error_total=1, user=person, file_name="old.csv", rows=0)
    Upload.objects.update(received_at=NOW - timedelta(days=15))

    assert "old.csv" not in page_of(technician)


def test_what_is_believed_is_the_mean_of_the_last_weighed_day(pots, person):
    by = Actor(user=person)
    pile, material = pile_of(pots, "P1"), pots.materials[2]
    for label, mass in (("B-1", 4.0), ("B-2", 6.0)):
        extra = bag(pile, label, 90)
        Bag.objects.filter(pk=extra.pk).update(material=material, initial_mass_g=10)
        recovered(bag=extra, retrieved_on=START + timedelta(90), dry_mass_g=mass)
    left_out = bag(pile, "B-3", 90)
    Bag.objects.filter(pk=left_out.pk).update(material=material, initial_mass_g=10)
    look = recovered(bag=left_out, retrieved_on=START + timedelta(90), dry_mass_g=10)
    Flag.objects.create(
        pile=pile,
        retrieval=look,
        code="remaining_over_105",
        message="Wet?",
        decision="exclude",
        reason="It was wet.",
        decided_at=NOW,
    )

    row = next(r for r in beliefs(by) if r.pile == pile and r.material == material)

    assert (row.last_day, row.n_bags, row.n_left_out) == (90, 2, 1)
    assert row.lost == pytest.approx(0.5)


def test_lost_bags_are_counted_and_never_a_zero(pots, person):
    by = Actor(user=person)
    pile = pile_of(pots, "P2")
    lost = Retrieval.objects.filter(bag__pile=pile, outcome="bag_lost").count()

    rows = [row for row in beliefs(by) if row.pile == pile]

    assert lost > 0
    assert sum(row.n_missing for row in rows) == lost
    assert all(row.lost is None or row.lost <= 1 for row in rows)


def test_only_the_own_sites_are_in_the_day(person, pots):
    day = lab_day(Actor(user=person), now=NOW)

    assert {pile.pile.site_id for pile in day.piles} == {pots.sites[0].pk}
    assert {row.pile.site_id for row in beliefs(Actor(user=person))} == {pots.sites[0].pk}


def test_the_day_is_that_of_the_site(person):
    late = datetime(2026, 4, 1, 22, 30, tzinfo=UTC)  # half past midnight in Copenhagen in summer

    assert lab_day(Actor(user=person), now=late).today == date(2026, 4, 2)


def test_somebody_without_a_site_is_told_how_to_get_one(coordinator):
    assert "You belong to no site yet" in page_of(coordinator)


def test_a_labs_person_lands_on_the_day_after_logging_in(client, person, pots):
    def landing(email: str) -> str:
        answer = client.post(reverse("frontend:login"), {"username": email, "password": PASSWORD})
        client.logout()
        return answer["Location"]

    assert landing(person.email) == reverse("frontend:today")
    assert landing(pots.coordinator.email) == "/"


def test_the_page_asks_a_fixed_number_of_queries(technician, person, pots, count_queries):
    address = reverse("frontend:today")
    factories.Upload(state="rejected", error_total=1, user=person, rows=0)
    few = count_queries(technician, address)
    for n in range(20):
        late = bag(pile_of(pots, "P1"), f"MORE-{n}", 20)
        recovered(bag=late, retrieved_on=START + timedelta(20), dry_mass_g=None, wet_mass_g=5)
        Flag.objects.create(pile=late.pile, bag=late, code="start_mass_off_batch", message="?")
        factories.Upload(state="rejected", error_total=1, user=person, rows=0)

    assert count_queries(technician, address) == few
