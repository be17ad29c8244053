"""Stage 1: pile rates with a shared lag and residual variance."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from registry.science.cells import collapse
from registry.science.decay import RateStatus, fit_decay
from registry.science.likelihood import evaluate, theta_score, variance_score
from registry.science.piles import rate_bound
from registry.science.rates import first_guess, solve_rates
from tests.science.check_values import expected, inputs

LIMIT = 0.02
SERIES = ["CV-071", "CV-072", "CV-073", "CV-074", "CV-075", "CV-079"]


def one_pile(day, remaining, limit=LIMIT):
    n = len(day)
    return collapse(
        np.zeros(n, dtype=np.int64),
        np.asarray(day, float),
        np.asarray(remaining, float),
        np.full(n, limit),
        np.zeros(n),
        1,
    )


def plain_loglik(unit, day, y, limit, extra, cut, theta, lag, a, b):
    """The likelihood bag by bag, as written in the specification."""
    total = np.zeros(len(theta))
    for i, u in enumerate(unit):
        f = np.exp(-np.exp(theta[u]) * max(0, day[i] - lag[u]))
        if y[i] <= limit[i]:
            total[u] += norm.logcdf((limit[i] - f) / np.sqrt(a[u] + b[u] * f * f))
            continue
        sd = np.sqrt(a[u] + b[u] * f * f + extra[i])
        total[u] += norm.logpdf(y[i], f, sd) + 0.5 * np.log(2 * np.pi)
        total[u] -= norm.logcdf((cut[i] - f) / sd)
    return total


@st.composite
def bags(draw):
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n = draw(st.integers(5, 40))
    unit = rng.integers(0, 3, n)
    day = rng.choice([3.0, 7.0, 14.0, 28.0, 56.0], n)
    y = np.maximum(np.exp(-0.05 * day) + 0.1 * rng.normal(size=n), 0)
    y = np.minimum(np.where(rng.random(n) < 0.3, y[0], y), 1.05)
    extra = np.where(rng.random(n) < 0.3, 0.01, 0.0)
    cut = np.where(rng.random(n) < 0.5, 1.05, np.inf)
    limit = rng.choice([0.02, 0.1], n)
    theta, lag = rng.uniform(-5, -2, 3), rng.choice([0.0, 3.0, 5.5], 3)
    return (
        unit,
        day,
        y,
        limit,
        extra,
        cut,
        theta,
        lag,
        rng.uniform(0.001, 0.02, 3),
        rng.uniform(0, 0.02, 3),
    )


@given(bags())
@settings(max_examples=60, deadline=None)
def test_collapsing_bags_to_cells_keeps_the_likelihood(drawn):
    unit, day, y, limit, extra, cut, theta, lag, a, b = drawn
    cells = collapse(unit, day, y, limit, extra, 3, cut)
    plain = plain_loglik(unit, day, y, limit, extra, cut, theta, lag, a, b)
    assert evaluate(cells, theta, lag, a, b).loglik == pytest.approx(plain, abs=1e-8)
    assert theta_score(cells, theta, lag, a, b).loglik() == pytest.approx(plain, abs=1e-8)


@given(bags())
@settings(max_examples=60, deadline=None)
def test_scores_are_slopes_of_the_likelihood(drawn):
    unit, day, y, limit, extra, cut, theta, lag, a, b = drawn
    # Away from the kink that every look day makes in the lag.
    lag = lag + 0.123
    cells = collapse(unit, day, y, limit, extra, 3, cut)
    ev = evaluate(cells, theta, lag, a, b)
    h = 1e-6

    def value(theta, lag):
        return theta_score(cells, theta, lag, a, b).loglik()

    by_theta = (value(theta + h, lag) - value(theta - h, lag)) / (2 * h)
    by_lag = (value(theta, lag + h) - value(theta, lag - h)) / (2 * h)
    assert ev.d_score == pytest.approx(by_theta, rel=1e-4, abs=1e-4)
    assert ev.l_score == pytest.approx(by_lag, rel=1e-4, abs=1e-4)
    assert theta_score(cells, theta, lag, a, b).score == pytest.approx(
        ev.d_score, rel=1e-9, abs=1e-9
    )


@pytest.mark.parametrize("check", SERIES)
def test_published_single_rates_by_least_squares(check):
    # Gill et al. 2020, meta-analysis of litter decay; refitted public series (CV-071 to CV-079).
    given_ = inputs(check)
    cells = one_pile(given_["time_yr"][1:], given_["remaining"][1:])
    one = np.ones(1)
    theta, _, _ = solve_rates(
        cells, first_guess(cells), 0 * one, 0.05**2 * one, 0 * one, steps=80, tolerance=1e-13
    )
    assert np.exp(theta[0]) == pytest.approx(expected(check)["single_k"], rel=1e-4)


def test_standard_error_without_heteroscedasticity_is_that_of_least_squares():
    day = np.array([14.0, 28, 42, 56, 84])
    y = np.exp(-0.03 * day) + np.array([0.02, -0.03, 0.01, 0.02, -0.01])
    cells, one = one_pile(day, y), np.ones(1)
    theta, _, _ = solve_rates(cells, first_guess(cells), 0 * one, 0.01 * one, 0 * one, steps=80)
    information = theta_score(cells, theta, 0 * one, 0.01 * one, 0 * one).information
    slope = np.exp(theta[0]) * day * np.exp(-np.exp(theta[0]) * day)
    assert information[0] == pytest.approx((slope**2).sum() / 0.01, rel=1e-9)

    def squares(log_k):
        return ((y - np.exp(-np.exp(log_k) * day)) ** 2).sum()

    best = minimize_scalar(squares, bounds=(-5, -2), method="bounded", options={"xatol": 1e-12})
    assert theta[0] == pytest.approx(best.x, abs=1e-6)


def test_an_exact_lagged_curve_gives_back_its_rate_and_lag():
    # CV-068: k 0.03 per day after a lag of 14 days, own calculation from the definition.
    given_ = inputs("CV-068")
    fits = fit_decay(
        one_pile(given_["days"][1:], expected("CV-068")["remaining"][1:]), np.zeros(1, int), 1
    )
    assert np.exp(fits.theta[0]) == pytest.approx(given_["k_per_d"], rel=1e-3)
    assert fits.lag[0] == pytest.approx(given_["lag_d"], abs=0.05)
    assert fits.lag_identified[0]
    days = fits.lag[0] + np.log(10) / np.exp(fits.theta[0])
    assert days == pytest.approx(expected("CV-068")["day_90pct_gone"], abs=0.1)


def test_one_look_gives_no_rate():
    # CV-082, own reasoning: only one retrieval day.
    fits = fit_decay(one_pile([28, 28, 28], [0.5, 0.55, 0.45]), np.zeros(1, int), 1)
    assert fits.status[0] == RateStatus.ONE_LOOK


def test_all_gone_at_the_first_look_gives_a_lower_bound_only():
    # CV-082: all bags at 0 remaining.
    cells = one_pile([14, 28, 42], [0.0, 0.0, 0.0])
    fits = fit_decay(cells, np.zeros(1, int), 1)
    assert fits.status[0] == RateStatus.ALL_GONE
    low, high, _ = rate_bound(cells, np.zeros(1), fits.a, fits.b)
    # At least so fast that 2 % or not much more was left on day 14.
    assert -np.log(0.2) / 14 < low[0] < -np.log(0.02) / 14
    assert np.isnan(high[0])


def test_mass_that_rises_gives_no_rate_but_an_upper_bound():
    # CV-082: remaining rises over time.
    cells = one_pile([14, 28, 42, 56] * 3, [0.97, 0.99, 1.0, 1.02] * 3)
    fits = fit_decay(cells, np.zeros(1, int), 1)
    assert fits.status[0] == RateStatus.NO_LOSS
    low, high, _ = rate_bound(cells, np.zeros(1), fits.a, fits.b)
    assert np.isnan(low[0])
    assert 0 < high[0] < 0.005


def test_the_lag_is_zero_and_said_to_be_unknown_when_nearly_all_went_before_the_first_look():
    rng = np.random.default_rng(4)
    day = np.repeat([60.0, 80, 100, 120], 6)
    y = np.exp(-0.04 * (day - 10)) + 0.01 * rng.normal(size=24)
    fits = fit_decay(one_pile(day, y), np.zeros(1, int), 1)
    assert fits.lag[0] == 0.0
    assert not fits.lag_identified[0]


def simulate(rng, n_units, mu=-3.5, lag=6.0, n_bags=4, a=0.02**2, b=0.08**2, sd_k=0.3):
    day = np.tile(np.repeat([7.0, 14, 28, 42, 56, 84], n_bags), n_units)
    unit = np.repeat(np.arange(n_units), 6 * n_bags)
    theta = mu + sd_k * rng.normal(size=n_units)
    f = np.exp(-np.exp(theta[unit]) * np.maximum(day - lag, 0))
    y = f + rng.normal(size=len(f)) * np.sqrt(a + b * f * f)
    seen = y <= 1.05
    cells = collapse(
        unit[seen],
        day[seen],
        y[seen],
        np.full(seen.sum(), LIMIT),
        np.zeros(seen.sum()),
        n_units,
        np.full(seen.sum(), 1.05),
    )
    return cells, theta


def test_truth_is_recovered_where_high_masses_are_cut_off():
    cells, theta = simulate(np.random.default_rng(11), 120)
    fits = fit_decay(cells, np.zeros(120, int), 1)
    z = (fits.theta - theta) / np.sqrt(fits.variance)
    assert abs((fits.theta - theta).mean()) < 0.02
    assert 0.8 < z.std() < 1.2
    assert fits.lag[0] == pytest.approx(6.0, abs=0.3)
    assert np.sqrt(fits.a[0]) == pytest.approx(0.02, abs=0.004)
    assert np.sqrt(fits.b[0]) == pytest.approx(0.08, abs=0.006)
    assert fits.converged[0]


def test_the_lag_interval_holds_the_true_lag_about_nineteen_times_in_twenty():
    inside = 0
    for seed in range(60):
        cells, _ = simulate(np.random.default_rng(seed), 6)
        fits = fit_decay(cells, np.zeros(6, int), 1)
        inside += fits.lag_low[0] <= 6.0 <= fits.lag_high[0]
    # Binomial with 60 trials and 0.95: fewer than 50 happens once in several thousand runs.
    assert inside >= 50


def test_the_lag_is_a_maximum_of_its_profile():
    cells, _ = simulate(np.random.default_rng(3), 8)
    fits = fit_decay(cells, np.zeros(8, int), 1)

    def profile(lag):
        shared = [np.full(8, x) for x in (lag, fits.a[0], fits.b[0])]
        theta, _, _ = solve_rates(cells, fits.theta, *shared, steps=60, tolerance=1e-13)
        return theta_score(cells, theta, *shared).loglik().sum()

    best = profile(fits.lag[0])
    assert all(profile(lag) <= best + 1e-9 for lag in np.linspace(0, 14, 141))


def test_the_variance_is_a_root_of_its_adjusted_score():
    cells, _ = simulate(np.random.default_rng(5), 10)
    fits = fit_decay(cells, np.zeros(10, int), 1)
    score, information = variance_score(
        cells, fits.theta, np.full(10, fits.lag[0]), np.full(10, fits.a[0]), np.full(10, fits.b[0])
    )
    scale = np.sqrt(information.sum(axis=0)[[0, 2]])
    assert np.abs(score.sum(axis=0) / scale).max() < 1e-6


def test_materials_do_not_disturb_each_other():
    first, _ = simulate(np.random.default_rng(1), 6)
    day = np.repeat([14.0, 28, 42, 56], 3)
    y = np.exp(-0.01 * day)
    both = collapse(
        np.concatenate([first.unit, np.full(12, 6)]),
        np.concatenate([first.day, day]),
        np.concatenate([first.mean, y]),
        np.full(len(first.day) + 12, LIMIT),
        np.zeros(len(first.day) + 12),
        7,
    )
    alone = collapse(
        first.unit,
        first.day,
        first.mean,
        np.full(len(first.day), LIMIT),
        np.zeros(len(first.day)),
        6,
    )
    apart = fit_decay(alone, np.zeros(6, int), 1)
    together = fit_decay(both, np.array([0] * 6 + [1]), 2)
    assert together.theta[:6] == pytest.approx(apart.theta, abs=1e-8)
    assert together.lag[0] == pytest.approx(apart.lag[0], abs=1e-6)


@given(st.sampled_from([24.0, 1 / 7]))
@settings(max_examples=5, deadline=None)
def test_the_unit_of_time_only_rescales_rate_and_lag(unit):
    rng = np.random.default_rng(8)
    day = np.tile(np.repeat([7.0, 14, 28, 42, 56, 84], 3), 5)
    pile = np.repeat(np.arange(5), 18)
    y = np.exp(-0.03 * np.maximum(day - 5, 0)) + 0.03 * rng.normal(size=90)

    def fit(factor):
        cells = collapse(pile, day * factor, y, np.full(90, LIMIT), np.zeros(90), 5)
        return fit_decay(cells, np.zeros(5, int), 1)

    days, other = fit(1.0), fit(unit)
    assert other.theta + np.log(unit) == pytest.approx(days.theta, abs=1e-6)
    assert other.lag / unit == pytest.approx(days.lag, abs=1e-5)
    assert other.variance == pytest.approx(days.variance, rel=1e-6)
