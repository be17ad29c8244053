"""Intervals and chances from a pooled log rate, worked by hand."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t

from registry.science.predict import (
    RatePrediction,
    chance_lost_by,
    days_interval,
    days_to_lose,
    new_rate_interval,
    rate_interval,
    remaining,
    remaining_interval,
)

FIVE_SITES = RatePrediction(mu=np.log(0.03), se=0.1, tau2_site=0.04, tau2_pile=0.02, n_sites=5)

rates = st.builds(
    RatePrediction,
    mu=st.floats(-6, -1),
    se=st.floats(0.02, 0.5),
    tau2_site=st.floats(0, 0.5),
    tau2_pile=st.floats(0, 0.3),
    n_sites=st.integers(3, 30),
)


def test_the_mean_has_t_with_one_degree_less_than_sites():
    low, high = rate_interval(FIVE_SITES)
    # 97.5 % point of t with 4 degrees of freedom, from a printed table: 2.776.
    assert np.log(high / 0.03) == pytest.approx(0.1 * 2.776445, abs=1e-6)
    assert np.log(low / 0.03) == pytest.approx(-0.1 * 2.776445, abs=1e-6)


def test_a_new_pile_has_t_with_two_degrees_less_and_all_three_variances():
    found = new_rate_interval(FIVE_SITES)
    # 97.5 % point of t with 3 degrees of freedom: 3.182; sd = √(0.04 + 0.02 + 0.01).
    assert np.log(found[1] / 0.03) == pytest.approx(3.182446 * np.sqrt(0.07), abs=1e-6)


def test_two_sites_predict_nothing():
    two = replace(FIVE_SITES, n_sites=2)
    assert new_rate_interval(two) is None
    assert chance_lost_by(two, 84.0) is None
    assert days_interval(two, new_pile=True) is None
    assert remaining_interval(two, np.array([10.0]), new_pile=True) is None
    assert days_interval(two, new_pile=False) is not None


def test_days_to_ninety_per_cent_of_the_published_curve():
    # CV-068: k 0.03 per day, lag 14 days: day 90.753.
    assert days_to_lose(replace(FIVE_SITES, lag=14.0)) == pytest.approx(90.753, abs=0.001)


def test_the_chance_by_a_day_worked_by_hand():
    # By day 84 a pile must reach ln(10)/84 per day.
    z = (np.log(np.log(10) / 84) - np.log(0.03)) / np.sqrt(0.07)
    assert chance_lost_by(FIVE_SITES, 84.0) == pytest.approx(t.sf(z, 3), abs=1e-12)


def test_before_the_lag_is_over_the_chance_is_nil():
    assert chance_lost_by(replace(FIVE_SITES, lag=20.0), 20.0) == 0.0


@given(rates)
def test_rate_days_and_chance_tell_the_same_story(p):
    low, high = new_rate_interval(p)
    fast, slow = days_interval(p, new_pile=True)
    assert slow == pytest.approx(np.log(10) / low)
    assert fast == pytest.approx(np.log(10) / high)
    assert chance_lost_by(p, days_to_lose(p)) == pytest.approx(0.5, abs=1e-9)
    assert chance_lost_by(p, slow) == pytest.approx(0.975, abs=1e-6)
    assert chance_lost_by(p, fast) == pytest.approx(0.025, abs=1e-6)


@given(rates, st.floats(1, 400))
def test_the_curve_is_the_rate_seen_through_time(p, day):
    at = np.array([day])
    low, high = rate_interval(p)
    band = remaining_interval(p, at, new_pile=False)
    assert band[0][0] == pytest.approx(np.exp(-high * day), abs=1e-9)
    assert band[1][0] == pytest.approx(np.exp(-low * day), abs=1e-9)
    assert band[0][0] <= remaining(p, at)[0] <= band[1][0]


@given(rates, st.floats(0, 15), st.floats(0, 3), st.floats(-0.1, 0.1))
def test_an_uncertain_lag_never_narrows_an_interval_of_the_rate(p, lag, lag_sd, by_lag):
    lagged = replace(p, lag=lag, lag_sd=lag_sd, mu_by_lag=by_lag)
    assert rate_interval(lagged)[1] >= rate_interval(p)[1]
    day = np.linspace(0, 150, 31)
    band = remaining_interval(lagged, day, new_pile=True)
    assert (band[0] <= band[1]).all()
    assert ((band[0] >= 0) & (band[1] <= 1)).all()
    assert (np.diff(remaining(lagged, day)) <= 0).all()


def test_the_spread_of_days_agrees_with_drawing_lag_and_rate():
    # The rate follows the lag by mu_by_lag, as it does in a fit.
    p = replace(FIVE_SITES, lag=8.0, lag_sd=1.5, mu_by_lag=0.02)
    rng = np.random.default_rng(2)
    shift = p.lag_sd * rng.normal(size=400_000)
    mu = p.mu + p.mu_by_lag * shift + p.se * rng.normal(size=400_000)
    days = p.lag + shift + np.log(10) * np.exp(-mu)
    low, high = days_interval(p, new_pile=False)
    spread = (np.log(high - p.lag) - np.log(low - p.lag)) / (2 * p.t_mean)
    simulated = np.std(np.log(days - p.lag))
    # First order in the lag; the log of a shifted sum is not quite normal.
    assert spread == pytest.approx(simulated, rel=0.02)
