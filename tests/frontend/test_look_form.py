"""One look from a phone: outcome before numbers, the registry's own checks, twice is once."""

from datetime import timedelta

import pytest
import time_machine
from django.urls import reverse

from registry.models import Bag, Flag, Retrieval, SiteMembership, Trial, Upload, User
from tests.frontend.small_trial import PASSWORD, START, log_in

pytestmark = pytest.mark.django_db


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


@pytest.fixture
def technician(client, pots):
    user = User.objects.create_user("lab@example.org", PASSWORD)
    SiteMembership.objects.create(user=user, site=pots.sites[0])
    log_in(client, user)
    return client


@pytest.fixture
def bag(pots) -> Bag:
    """A bag of 10 g that nobody has looked at."""
    other = Bag.objects.filter(pile__site=pots.sites[0]).first()
    return Bag.objects.create(
        trial=pots.trial,
        pile=other.pile,
        label="NEW-1",
        material=other.material,
        buried_on=START,
        initial_mass_g=10.0,
        planned_days=14,
    )


def address(bag: Bag) -> str:
    return f"/trials/{bag.trial.code}/bags/{bag.label}/look/"


def sent(client, bag: Bag, **values):
    body = {"retrieved_on": "2026-03-16", "outcome": "recovered", **values}
    return client.post(address(bag), body)


def test_the_address_on_the_labels_is_this_one(bag):
    assert reverse("frontend:write-look", args=[bag.trial.code, bag.label]) == address(bag)


def test_the_outcome_is_asked_first_and_no_number_with_it(technician, bag):
    page = text_of(technician.get(address(bag)))

    assert page.count("?outcome=") == 5
    assert "dry_mass_g" not in page
    assert "This is missing, never zero." in page


@pytest.mark.parametrize("outcome", ["bag_lost", "bag_damaged", "nothing_left", "looked_at"])
def test_a_mass_is_asked_for_only_where_something_was_left(technician, bag, outcome):
    assert 'name="dry_mass_g"' in text_of(technician.get(address(bag), {"outcome": "recovered"}))
    assert 'name="dry_mass_g"' not in text_of(technician.get(address(bag), {"outcome": outcome}))


def test_a_look_is_an_upload_of_one_row(technician, bag):
    answer = sent(technician, bag, dry_mass_g="4.912", fragmentation="2", observer="AB")

    look = Retrieval.objects.get(bag=bag)
    upload = Upload.objects.get(pk=look.upload_id)
    assert answer["Location"] == reverse("frontend:labelled-bag", args=[bag.trial.code, bag.label])
    assert (look.dry_mass_g, look.fragmentation, look.observer) == (4.912, 2, "AB")
    assert (upload.kind, upload.rows, upload.site, look.upload_row) == (
        "retrievals",
        1,
        bag.pile.site,
        1,
    )
    assert upload.user.email == "lab@example.org"
    assert upload.file_name == "look-NEW-1-2026-03-16.json"


def test_pressed_twice_it_is_stored_once(technician, bag):
    sent(technician, bag, dry_mass_g="4.9")
    again = sent(technician, bag, dry_mass_g="4.9")

    page = text_of(technician.get(again["Location"]))
    assert Retrieval.objects.filter(bag=bag).count() == 1
    assert "This look was stored before; nothing changed." in page


def test_the_same_day_with_another_value_changes_nothing_and_says_so(technician, bag):
    sent(technician, bag, dry_mass_g="4.9")
    other = sent(technician, bag, dry_mass_g="5.9")

    assert other.status_code == 409
    assert Retrieval.objects.get(bag=bag).dry_mass_g == 4.9
    assert 'role="alert"' in text_of(other)


@pytest.mark.parametrize("mass", ["0", "0.0", "0,0"])
def test_a_lost_bag_never_becomes_a_zero(technician, bag, mass):
    assert sent(technician, bag, outcome="bag_lost", dry_mass_g=mass).status_code == 422

    assert not Retrieval.objects.filter(bag=bag).exists()


def test_a_lost_bag_with_a_mass_is_refused_in_words(technician, bag):
    answer = sent(technician, bag, outcome="bag_lost", dry_mass_g="4")

    assert answer.status_code == 422
    assert "With outcome bag_lost there is no residue to weigh" in text_of(answer)


def test_a_fault_stands_at_its_field_and_what_was_typed_stays(technician, bag):
    answer = sent(technician, bag, dry_mass_g="900", notes="wet day")

    page = text_of(answer)
    assert answer.status_code == 422
    assert 'aria-invalid="true" aria-describedby="dry_mass_g-error"' in page
    assert "more than five times the start mass" in page
    assert 'value="900"' in page
    assert "wet day" in page


def test_the_comma_of_a_number_pad_is_a_point(technician, bag):
    sent(technician, bag, dry_mass_g="4,912")

    assert Retrieval.objects.get(bag=bag).dry_mass_g == 4.912


@pytest.mark.parametrize("typed", ["1,234,5", "1.234,5", "four", "1e400", "-1", "\x00", "٤"])
def test_what_is_no_number_is_refused_in_words(technician, bag, typed):
    answer = sent(technician, bag, dry_mass_g=typed)

    assert answer.status_code == 422
    assert 'id="dry_mass_g-error"' in text_of(answer)


@pytest.mark.parametrize("day", ["", "2026-02-01", "2999-01-01", "16/03/2026", "x" * 5000])
def test_an_impossible_day_is_refused_in_words(technician, bag, day):
    answer = sent(technician, bag, dry_mass_g="4", retrieved_on=day)

    assert answer.status_code == 422
    assert "Not stored yet" in text_of(answer)


@pytest.mark.parametrize("outcome", ["", "gone", "x" * 500])
def test_an_outcome_nobody_knows_leads_back_to_the_choice(technician, bag, outcome):
    answer = sent(technician, bag, outcome=outcome)

    assert answer.status_code == 422
    assert text_of(answer).count("?outcome=") == 5
    assert technician.get(address(bag), {"outcome": outcome}).status_code == 200


def test_the_last_look_stands_above_the_form(technician, bag):
    sent(technician, bag, dry_mass_g="4.9", reburied="yes")

    page = text_of(technician.get(address(bag), {"outcome": "recovered"}))

    assert "The last look: 16 March 2026, day 14, 49 % of the dry start mass" in page
    assert "dry mass of the residue, cleaned 4.9 g" in page


def test_a_bag_that_left_the_pile_says_so(technician, bag):
    sent(technician, bag, dry_mass_g="4.9")

    page = text_of(technician.get(address(bag)))

    assert "This bag left the pile on 16 March 2026." in page


def test_the_day_is_that_of_the_site(technician, bag):
    # Half past eleven in the evening UTC is the next day in Copenhagen.
    with time_machine.travel("2026-03-20T23:30:00Z", tick=False):
        log_in(technician, User.objects.get(email="lab@example.org"))
        page = text_of(technician.get(address(bag), {"outcome": "bag_lost"}))

    assert 'value="2026-03-21"' in page


def test_an_overdue_bag_says_by_how_much(technician, bag):
    with time_machine.travel("2026-03-19T10:00:00Z", tick=False):
        log_in(technician, User.objects.get(email="lab@example.org"))
        page = text_of(technician.get(address(bag)))

    assert "3 days over its plan." in page


def test_another_sites_bag_does_not_exist(technician, pots):
    theirs = Bag.objects.filter(pile__site=pots.sites[1]).first()

    assert technician.get(address(theirs)).status_code == 404
    assert sent(technician, theirs, dry_mass_g="4").status_code == 404


def test_a_closed_trial_takes_no_look(technician, bag):
    Trial.objects.filter(pk=bag.trial_id).update(state="closed")

    answer = sent(technician, bag, dry_mass_g="4")

    assert answer.status_code in (302, 422)
    assert (answer.status_code == 302) == Retrieval.objects.filter(bag=bag).exists()


def test_a_label_is_typed_in_any_case_and_leads_on(technician, bag):
    answer = technician.get(reverse("frontend:find-bag"), {"label": " new-1 "})

    assert answer["Location"] == address(bag)


def test_a_label_of_two_trials_is_asked_back(client, coordinator, bag, pots):
    second = Trial.objects.create(
        code="SECOND", title="Second", state="running", schedule_days=[14], primary_day=14
    )
    second.coordinators.add(pots.coordinator)
    pile = bag.pile
    pile.pk, pile.code, pile.trial = None, "P9", second
    pile.save()
    Bag.objects.create(
        trial=second,
        pile=pile,
        label="NEW-1",
        material=bag.material,
        buried_on=START + timedelta(1),
        initial_mass_g=1,
    )

    page = text_of(coordinator.get(reverse("frontend:find-bag"), {"label": "NEW-1"}))

    assert "Which of these?" in page
    assert "/trials/SECOND/bags/NEW-1/look/" in page


@pytest.mark.parametrize("label", ["NOPE-1", "x" * 3000, "\x00", "ÆØÅ"])
def test_an_unknown_label_is_told_at_the_field(technician, label):
    answer = technician.get(reverse("frontend:find-bag"), {"label": label})

    assert answer.status_code == 200
    assert "No bag of your sites has this label." in text_of(answer)


def test_a_bags_page_shows_questions_to_the_lab(technician, bag):
    sent(technician, bag, dry_mass_g="4.9")
    Flag.objects.create(
        pile=bag.pile,
        retrieval=Retrieval.objects.get(bag=bag),
        code="remaining_high",
        message="Is it dry?",
    )

    page = text_of(
        technician.get(reverse("frontend:labelled-bag", args=[bag.trial.code, bag.label]))
    )

    assert "Is it dry? (waiting for a coordinator)" in page
    assert "49 % of the dry start mass" in page


def test_the_pages_ask_a_fixed_number_of_queries(technician, bag, count_queries):
    sent(technician, bag, dry_mass_g="9", reburied="yes")
    few = count_queries(technician, address(bag))
    for n in range(2, 12):
        day = (START + timedelta(14 + n)).isoformat()
        sent(technician, bag, retrieved_on=day, dry_mass_g="8", reburied="yes")

    assert Retrieval.objects.filter(bag=bag).count() == 11
    assert count_queries(technician, address(bag)) == few
