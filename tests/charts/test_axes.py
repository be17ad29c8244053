import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.charts.axes import day_ticks, log_domain, log_ticks, percent_domain


def test_ticks_are_ones_twos_and_fives():
    assert log_ticks(0.009, 0.11) == [0.01, 0.02, 0.05, 0.1]


def test_a_short_range_is_marked_more_finely():
    assert log_ticks(0.045, 0.095) == [0.05, 0.06, 0.07, 0.08, 0.09]
    assert log_ticks(0.045, 0.095, at_most=3) == [0.05, 0.07, 0.09]


def test_too_many_ticks_fall_back_to_powers_of_ten():
    assert log_ticks(0.0009, 1.2, at_most=5) == [0.001, 0.01, 0.1, 1.0]


@given(st.floats(1e-6, 1e3), st.floats(1.3, 1e4))
def test_ticks_lie_inside_and_are_few(low, ratio):
    ticks = log_ticks(low, low * ratio)

    assert len(ticks) <= 11
    assert all(low <= tick <= low * ratio for tick in ticks)


def test_the_domain_holds_every_value_and_skips_what_is_missing():
    low, high = log_domain([None, 0.02, 0.5, 0.0])

    assert low < 0.02
    assert high > 0.5


def test_an_axis_without_any_value_still_has_a_range():
    assert log_domain([None]) == (0.001, 1.0)


def test_a_residue_heavier_than_its_start_is_not_cut_off():
    assert percent_domain([20.0, 131.0]) == (0.0, 140.0)
    assert percent_domain([20.0]) == (0.0, 100.0)


@pytest.mark.parametrize(
    ("last", "ticks"), [(84, [0, 14, 28, 42, 56, 70, 84]), (112, [0, 28, 56, 84, 112]), (5, [0, 7])]
)
def test_days_are_marked_in_whole_weeks(last, ticks):
    assert day_ticks(last) == ticks
