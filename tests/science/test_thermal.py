"""Thermal summaries: outside numbers, hand-worked logs, and a slow second way of counting."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from registry.science.fire_safety import ADVICE, MAX_HEIGHT_M, fire_attention
from registry.science.logger_faults import spans_outside, suspect_unit, without_spans
from registry.science.thermal import (
    THRESHOLDS_C,
    celsius_from_fahrenheit,
    gaps_longer_than,
    hours_between,
    spans_at_least,
    summarise,
)
from registry.science.thermal_time import (
    arrhenius_ratio,
    degree_days,
    equivalent_days,
    q10_is_supported,
)
from registry.science.types import ScienceError
from tests.science.check_values import expected, inputs, tolerance


def hourly(*pieces):
    """A log of hourly readings from (hours, °C) pieces."""
    celsius = np.concatenate([np.full(n, c, dtype=float) for n, c in pieces])
    return np.arange(celsius.size, dtype=float), celsius


def test_fahrenheit_to_celsius_at_the_limits_of_the_organic_rule():
    # CV-054: 131 °F and 170 °F in 7 CFR 205.203.
    celsius = celsius_from_fahrenheit(np.array(inputs("CV-054")["F"], dtype=float))

    assert celsius == pytest.approx(expected("CV-054")["C"], abs=tolerance("CV-054"))


def test_degree_days_from_daily_means():
    # CV-058: arithmetic.
    g = inputs("CV-058")

    assert degree_days(np.array(g["daily_mean_C"]), g["base_C"]) == pytest.approx(
        expected("CV-058")["degree_days"], abs=tolerance("CV-058")
    )


def test_equivalent_days_with_a_q10_of_two_are_a_sensitivity_only():
    # CV-060: Q10 relation; adequate for about 5–35 °C only (Kätterer et al. 1998).
    g = inputs("CV-060")

    days = equivalent_days(np.array(g["days"]), np.array(g["T_C"]), g["Tref_C"], g["Q10"])

    assert days == pytest.approx(expected("CV-060")["equivalent_days"], abs=1e-9)
    assert not q10_is_supported(np.array(g["T_C"]))
    assert q10_is_supported(np.array([5.0, 20.0, 35.0]))


def test_arrhenius_factor():
    # CV-062: Arrhenius with R = 8.314462618.
    g = inputs("CV-062")

    ratio = arrhenius_ratio(g["Ea_kJ_mol"], g["T1_C"], g["T2_C"])

    assert ratio == pytest.approx(expected("CV-062")["k2_over_k1"], abs=tolerance("CV-062"))


def test_fire_attention_limits():
    # CV-064: a county fire service and a state's waste department.
    states = [fire_attention(c) for c in inputs("CV-064")["T_C"]]

    assert states == expected("CV-064")["state"]
    assert set(states) < set(ADVICE)
    assert pytest.approx(0.3048 * expected("CV-064")["pile_height_ft_max"]) == MAX_HEIGHT_M


def test_fahrenheit_sent_as_celsius_is_found_and_not_converted():
    # CV-103: common field mistake, no source.
    suspicion = suspect_unit(np.array(inputs("CV-103")["readings"], dtype=float))

    assert suspicion.verdict == "fahrenheit"
    assert suspicion.n_impossible == 4
    assert suspicion.as_celsius == pytest.approx([55.0, 60.0, 65.0, 58.9], abs=0.06)
    assert "temperature_f" in suspicion.sentence


@pytest.mark.parametrize(
    ("celsius", "verdict"),
    [([20.0, 68.0], "plausible"), ([20.0, 78.0], "ask"), ([20.0, 250.0], "impossible")],
)
def test_units_are_judged_by_what_a_pile_can_be(celsius, verdict):
    assert suspect_unit(np.array(celsius)).verdict == verdict


def test_a_hand_worked_log():
    # 40 → 60 in 2 h, level for 3 h, 60 → 50 in 1 h: above 55 °C for 0.5 + 3 + 0.5 h.
    t = np.array([0.0, 2.0, 5.0, 6.0])
    c = np.array([40.0, 60.0, 60.0, 50.0])

    log = summarise(t, c, np.array([1.0, 4.0, 5.4, 5.8]))

    assert log.hours_at_least(55.0) == pytest.approx(4.0)
    assert log.longest_run_at_least_h(55.0) == pytest.approx(4.0)
    assert log.hours_at_least(60.0) == pytest.approx(3.0)
    assert log.hours_at_least(65.0) == 0.0
    assert log.degree_hours == pytest.approx(20 * 2 / 2 + 20 * 3 + 15)
    assert log.max_c == 60.0
    assert log.mean_c == pytest.approx((50 * 2 + 60 * 3 + 55) / 6)
    assert log.coverage == 1.0
    assert (log.hot_from_h, log.hot_until_h) == (pytest.approx(1.5), pytest.approx(5.5))
    assert log.turnings_in_hot_phase == 2


def test_a_long_gap_is_not_bridged_and_ends_a_run():
    t = np.array([0.0, 1.0, 2.0, 8.0, 9.0, 10.0, 11.0])

    log = summarise(t, np.full(7, 60.0), span_h=11.0)

    assert log.logged_h == 5.0
    assert log.coverage == pytest.approx(5 / 11)
    assert log.hours_at_least(55.0) == 5.0
    assert log.longest_run_at_least_h(55.0) == 3.0
    assert log.degree_hours == 5 * 20.0


def test_a_gap_at_the_limit_is_bridged():
    log = summarise(np.array([0.0, 4.0]), np.array([60.0, 60.0]))

    assert log.hours_at_least(55.0) == 4.0


def test_a_dip_below_the_threshold_parts_two_runs():
    t, c = hourly((10, 60.0), (1, 50.0), (20, 60.0))

    log = summarise(t, c)

    # The dip is below 55 °C for half an hour on either side of its reading.
    assert log.hours_at_least(55.0) == pytest.approx(30 - 1.0)
    assert log.longest_run_at_least_h(55.0) == pytest.approx(19 + 0.5)


def test_hours_inside_a_band():
    t, c = np.array([0.0, 1.0, 2.0]), np.array([50.0, 70.0, 50.0])

    total, run = hours_between(t, c, 55.0, 65.0)

    assert total == pytest.approx(1.0)
    assert run == pytest.approx(0.5)


def test_an_empty_log_and_a_single_reading_have_no_hours():
    empty = summarise(np.empty(0), np.empty(0))
    single = summarise(np.array([3.0]), np.array([66.0]))

    assert empty.max_c is None
    assert empty.coverage == 0.0
    assert single.max_c == 66.0
    assert single.hours_above == (0.0,) * len(THRESHOLDS_C)


@pytest.mark.parametrize(
    ("hours", "celsius", "says"),
    [
        ([0, 1, 1], [20, 20, 20], "must increase"),
        ([0, 1], [20, float("nan")], "missing or infinite"),
        ([0, 1], [20], "one length"),
    ],
)
def test_a_broken_log_is_refused(hours, celsius, says):
    with pytest.raises(ScienceError, match=says):
        summarise(np.array(hours, dtype=float), np.array(celsius, dtype=float))


logs = st.lists(st.tuples(st.integers(1, 12), st.integers(15, 75)), min_size=2, max_size=30).map(
    lambda steps: (
        np.cumsum([step for step, _ in steps]).astype(float) / 2,
        np.array([c for _, c in steps], dtype=float),
    )
)


@settings(max_examples=200, deadline=None)
@given(logs, st.sampled_from(THRESHOLDS_C))
def test_time_and_runs_agree_with_a_slow_walk(log, theta):
    t, c = log

    summary = summarise(t, c)

    # Second way: walk each bridged interval in 2,000 steps.
    total, run, longest, area = 0.0, 0.0, 0.0, 0.0
    for i in range(t.size - 1):
        dt = t[i + 1] - t[i]
        if dt > 4.0:
            run = 0.0
            continue
        steps = (np.arange(2000) + 0.5) / 2000
        above = c[i] + steps * (c[i + 1] - c[i]) >= theta
        area += np.maximum(c[i] + steps * (c[i + 1] - c[i]) - 40.0, 0).sum() * dt / 2000
        for flag in above:
            run = run + dt / 2000 if flag else 0.0
            total += dt / 2000 * flag
            longest = max(longest, run)
    assert summary.hours_at_least(theta) == pytest.approx(total, abs=0.002 * t.size)
    assert summary.longest_run_at_least_h(theta) == pytest.approx(longest, abs=0.002 * t.size)
    assert summary.degree_hours == pytest.approx(area, rel=1e-4, abs=1e-3)


@settings(deadline=None)
@given(logs, st.floats(-1e4, 1e4))
@example((np.array([0.5, 4.5]), np.array([15.0, 41.0])), 1.9207294103470542)
def test_the_origin_of_the_clock_does_not_matter(log, shift):
    t, c = log

    moved, still = summarise(t + shift, c), summarise(t, c)

    assert moved.hours_above == pytest.approx(still.hours_above, abs=1e-7)
    assert moved.longest_run_h == pytest.approx(still.longest_run_h, abs=1e-7)


def air(n):
    return 15 + 5 * np.cos(2 * np.pi * np.arange(n) / 24)


def test_a_logger_that_follows_the_air_beside_a_hot_neighbour_was_out():
    t, c = hourly((100, 60.0))
    outside = air(100)
    c[40:60] = outside[40:60] + 1.0

    both = spans_outside(t, c, neighbour=(t, np.full(100, 62.0)), air=(t, outside))
    beside = spans_outside(t, c, neighbour=(t, np.full(100, 62.0)))
    alone = spans_outside(t, c, air=(t, outside))

    for spans in (both, beside, alone):
        assert [(span.from_h, span.until_h) for span in spans] == [(40.0, 59.0)]
    kept_t, kept_c = without_spans(t, c, both)
    assert kept_c.min() == 60.0
    assert kept_t.size == 80


def test_an_edge_probe_that_is_always_colder_is_not_out():
    t, c = hourly((200, 42.0))

    assert spans_outside(t, c, neighbour=(t, np.full(200, 65.0))) == ()


def test_a_pile_that_cools_slowly_to_the_air_is_not_out():
    t = np.arange(400.0)
    outside = np.full(400, 15.0)
    c = 15 + 45 * np.exp(-t / 60)

    assert spans_outside(t, c, air=(t, outside)) == ()


def test_six_hours_outside_are_not_yet_a_span():
    t, c = hourly((50, 60.0))
    c[20:27] = 15.0

    assert spans_outside(t, c, neighbour=(t, np.full(50, 61.0))) == ()


def test_a_neighbour_without_readings_proves_nothing():
    t, c = hourly((50, 15.0))

    assert spans_outside(t, c, neighbour=(np.empty(0), np.empty(0))) == ()
    assert spans_outside(t, c) == ()


def test_spans_at_heat_begin_and_end_where_the_line_is_crossed():
    hours = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    celsius = np.array([50.0, 60.0, 60.0, 50.0, 55.0, 54.0])

    spans = spans_at_least(hours, celsius, 55.0)

    # 50 → 60 crosses 55 half-way; a single reading at 55 spans no time.
    assert spans == pytest.approx(np.array([[0.5, 2.5]]))


def test_a_gap_ends_a_span_and_is_told():
    hours = np.array([0.0, 1.0, 9.0, 10.0])

    assert spans_at_least(hours, np.full(4, 60.0), 55.0).tolist() == [[0.0, 1.0], [9.0, 10.0]]
    assert gaps_longer_than(hours).tolist() == [[1.0, 9.0]]
    assert gaps_longer_than(hours[:2]).size == gaps_longer_than(np.empty(0)).size == 0


@given(st.lists(st.floats(0, 80), min_size=2, max_size=40), st.floats(5, 75))
def test_spans_add_up_to_the_hours_that_are_counted(celsius, theta):
    hours = np.arange(len(celsius), dtype=float)

    spans = spans_at_least(hours, np.array(celsius), theta)

    total, longest = hours_between(hours, np.array(celsius), theta, np.inf)
    lengths = spans[:, 1] - spans[:, 0]
    assert lengths.sum() == pytest.approx(total)
    assert lengths.max(initial=0.0) == pytest.approx(longest)
