import pytest
from hypothesis import given
from hypothesis import strategies as st

from frontend.presenters import numbers


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.031415, "0.031"),
        (84.4, "84"),
        (1234.0, "1200"),
        (99.96, "100"),
        (0.0004, "0.00040"),
        (0, "0"),
        (-2.26, "−2.3"),
        (None, "–"),
    ],
)
def test_two_significant_digits_without_an_exponent(value, text):
    assert numbers.significant(value) == text


@pytest.mark.parametrize(
    ("variance", "text"),
    [(0.09, "0.30"), (0, "0"), (4e-18, "< 0.001"), (None, "–")],
)
def test_a_vanishing_spread_is_told_from_none_at_all(variance, text):
    assert numbers.root(variance) == text


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        (0, "0 %"),
        (0.003, "less than 1 %"),
        (0.42, "42 %"),
        (0.998, "more than 99 %"),
        (1, "100 %"),
        (None, "–"),
    ],
)
def test_a_small_chance_never_reads_as_none(fraction, text):
    assert numbers.percent(fraction) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (0.02, 0.05, "0.020 to 0.050"),
        (0.02, None, "at least 0.020"),
        (None, 0.05, "at most 0.050"),
        (None, None, "–"),
    ],
)
def test_an_open_interval_is_said_in_words(low, high, text):
    assert numbers.interval(low, high) == text


@pytest.mark.parametrize(
    ("days", "text"),
    [
        (1, "1 day"),
        (4.2, "4 days"),
        (84, "12 weeks"),
        (200, "29 weeks"),
        (365, "12 months"),
        (1100, "3 years"),
        (1e6, "more than 10 years"),
        (None, "–"),
    ],
)
def test_a_wait_is_given_in_the_unit_a_grower_would_use(days, text):
    assert numbers.days_as_weeks(days) == text


@given(st.floats(0, 1))
def test_ten_of_ten_and_none_of_ten_are_kept_for_the_all_but_certain(chance):
    marks = numbers.piles_of_ten(chance)

    assert (marks == 10) == (chance >= 0.99)
    assert (marks == 0) == (chance <= 0.01)


@given(st.floats(0, 1), st.floats(0, 1))
def test_a_higher_chance_never_shows_fewer_piles(one, other):
    low, high = sorted((one, other))

    assert numbers.piles_of_ten(low) <= numbers.piles_of_ten(high)


@pytest.mark.parametrize(
    ("chance", "text"),
    [
        (0.999, "in almost all"),
        (0.97, "in more than 19 of 20"),
        (0.8, "in about 8 of 10"),
        (0.06, "in about 1 of 10"),
        (0.03, "in fewer than 1 of 20"),
        (0.001, "in almost none"),
    ],
)
def test_a_chance_is_said_as_piles_that_can_be_counted(chance, text):
    assert numbers.of_ten(chance) == text
