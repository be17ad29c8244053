"""The page on which a coordinator plans a trial."""

import pytest
from django.urls import reverse

from tests.frontend.test_coordinator_pages import text_of

pytestmark = pytest.mark.django_db
TYPED = {"rate_per_day": "0.03", "decay_tau2_site": "0.1", "decay_a": "0.001"}


def ask(client, **sent):
    return client.get(reverse("frontend:plan"), sent)


def test_an_empty_form_asks_and_tells_nothing(coordinator):
    page = text_of(ask(coordinator))

    assert "Plan a trial" in page
    assert "What to expect" not in page
    assert "<details><summary>Type variances in" in page


def test_typed_variances_are_answered_with_the_goal_beside(coordinator):
    page = text_of(ask(coordinator, **TYPED, goal_factor="1.3", sites="5"))

    assert "Days to 90 % are expected to be known from" in page
    assert "5 sites, 3 piles each, 3 bags per material, pile and look: 1080 bags" in page
    assert "The cheapest:" in page
    assert "What that plan gives" in page
    assert "<details open>" in page


def test_the_variances_of_a_trial_are_taken_from_its_run(coordinator, pots):
    page = text_of(ask(coordinator, trial="POTS-26", material="POTS-26-M1"))

    assert f"pooling run {pots.run.pk} of trial POTS-26, POTS-26-M1" in page
    assert "The variances come from 4 sites" in page
    assert "no decay rate with its variances" in page
    assert "Primary day, SD between sites</th><td>6.0 points" in page
    assert "Difference of two materials, ± percentage points" in page


def test_each_fault_stands_at_its_field_in_the_words_of_the_page(coordinator):
    answer = ask(coordinator, **TYPED, sites="1", days="fourteen", goal_power="2")
    page = text_of(answer)

    assert answer.status_code == 200
    assert "“Sites” is 2 to 200." in page
    assert "“Days of the looks” is written like 14, 28, 56" in page
    assert "“Chance to show it” is 0.01 to 0.9999." in page
    assert page.count("field-error") == 3
    assert "What to expect" not in page


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ({"trial": "NONE", "material": "X"}, "no finished pooling run"),
        ({"trial": "POTS-26"}, "Name the material whose"),
        ({"trial": "POTS-26", "material": "X"}, "has no estimate of X"),
        ({"rate_per_day": "0.03"}, "“Variance of the log rate between sites” is missing"),
        ({"cost_site": "0", "cost_pile": "0", "cost_bag": "0"}, "must cost something"),
    ],
)
def test_what_cannot_be_answered_is_a_sentence(coordinator, pots, sent, words):
    answer = ask(coordinator, **sent)

    assert answer.status_code == 200
    assert words in text_of(answer)


def test_an_impossible_goal_says_how_far_the_largest_trial_comes(coordinator):
    page = text_of(ask(coordinator, **TYPED, goal_factor="1.001"))

    assert "Even 40 sites, 8 piles each, 8 bags per material, pile and look do not reach it" in page
