"""Decay curves against published fits, by their own laws, and where they must say less."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import differential_evolution
from scipy.stats import norm

from registry.science.censored_curves import fit_censored_curves
from registry.science.curve_results import aicc
from registry.science.curve_search import bounds_of
from registry.science.curve_shapes import (
    DOUBLE_EXPONENTIAL,
    LAG_FIRST_ORDER,
    SHAPES,
    WEIBULL,
    days_to,
    mean_residence,
)
from registry.science.curves import fit_curves
from registry.science.types import ScienceError
from tests.science.check_values import CHECKS, expected, inputs

DAYS = np.arange(14.0, 113.0, 14.0)

# Published litterbag series with their fitted parameters: Gill et al. 2020 meta-analysis data and
# code repository (CV-071 to CV-079), Gill et al. 2022, Journal of Ecology, 20-site oak study
# (CV-081). Only these few numbers are kept; the repositories carry no licence file.
PUBLISHED = ("CV-071", "CV-072", "CV-073", "CV-074", "CV-075", "CV-079", "CV-081")
NAMES = {
    "single_k": ("first_order", "k"),
    "asymp_k": ("asymptotic", "k"),
    "asymp_A": ("asymptotic", "plateau"),
    "weibull_shape": ("weibull", "shape"),
    "weibull_scale_yr": ("weibull", "scale"),
    "double_ks": ("double_exponential", "k_slow"),
    "double_k": ("double_exponential", "k_fast"),
    "double_A_slow": ("double_exponential", "slow_share"),
}


def published(check):
    given_series = inputs(check)
    remaining = given_series.get("remaining") or given_series["remaining_C"]
    return np.array(given_series["time_yr"]), np.array(remaining)


@pytest.mark.parametrize("check", PUBLISHED)
def test_parameters_agree_with_the_published_fits(check):
    curves = fit_curves(*published(check))

    compared = 0
    for key, (shape, name) in NAMES.items():
        if key in expected(check):
            # Published optima agree with a refit to 2e-5 (double exponential: 1 %, a flat floor).
            rel = 1e-2 if shape == "double_exponential" else 2e-5
            assert curves.fit(shape).parameter(name) == pytest.approx(expected(check)[key], rel=rel)
            compared += 1
    assert compared >= 5


@pytest.mark.parametrize("check", [c for c in PUBLISHED if "weibull_mrt_yr" in expected(c)])
def test_half_life_and_residence_time_follow_from_the_weibull(check):
    weibull = fit_curves(*published(check)).fit("weibull")

    assert weibull.half_life == pytest.approx(expected(check)["weibull_half_life_yr"], rel=1e-4)
    assert weibull.mean_residence == pytest.approx(expected(check)["weibull_mrt_yr"], rel=1e-4)


@pytest.mark.parametrize("check", [c for c in PUBLISHED if "AICc_single" in expected(c)])
def test_the_likelihood_agrees_with_the_published_information_criteria(check):
    # The published tables leave σ out of AICc and use plain AIC for the Weibull; ours counts σ
    # everywhere. From our log-likelihood their numbers must come out by their own formulas.
    curves = fit_curves(*published(check))
    n = curves.fits[0].n
    theirs = expected(check)

    def without_sigma(fit, k):
        return -2 * fit.log_likelihood + 2 * k + 2 * k * (k + 1) / (n - k - 1)

    single, asymptotic = curves.fit("first_order"), curves.fit("asymptotic")
    weibull = curves.fit("weibull")
    assert without_sigma(single, 1) == pytest.approx(theirs["AICc_single"], abs=0.01)
    assert without_sigma(asymptotic, 2) == pytest.approx(theirs["AICc_asymp"], abs=0.01)
    assert -2 * weibull.log_likelihood + 2 * 3 == pytest.approx(theirs["AIC_weibull"], abs=0.01)


def test_the_reference_grid_has_not_shrunk():
    assert set(PUBLISHED) | {"CV-068", "CV-082"} <= set(CHECKS)


def test_one_convention_counts_every_parameter_and_sigma():
    # AICc = −2·log L + 2K + 2K(K+1)/(n−K−1) with K = p + 1; worked by hand for n = 8, p = 2.
    assert aicc(10.0, 2, 8) == pytest.approx(-20 + 6 + 24 / 4)
    assert aicc(10.0, 2, 4) is None


def test_first_order_with_a_lag():
    # CV-068: definition, own calculation.
    given_curve, wanted = inputs("CV-068"), expected("CV-068")
    theta = np.array([given_curve["k_per_d"], given_curve["lag_d"]])

    remaining = LAG_FIRST_ORDER.value(np.array(given_curve["days"], dtype=float), theta)

    assert remaining == pytest.approx(wanted["remaining"], abs=1e-5)
    assert days_to(LAG_FIRST_ORDER, theta, 0.1) == pytest.approx(wanted["day_90pct_gone"], abs=1e-3)


def test_one_retrieval_day_gives_no_fit():
    # CV-082: own reasoning, no source.
    curves = fit_curves(np.array([28.0, 28.0, 28.0]), np.array([0.5, 0.6, 0.55]))

    assert curves.fits == ()
    assert curves.best is None
    assert curves.warnings[0].code == "one_day"


def test_all_gone_gives_a_lower_bound_and_no_rate():
    # CV-082. At 2 % detection on day 14: k >= −log(0.02)/14.
    curves = fit_curves(np.array([14.0, 14.0, 28.0]), np.zeros(3), np.ones(3, dtype=bool), 0.02)

    assert curves.fits == ()
    assert curves.bound.at_least == pytest.approx(-math.log(0.02) / 14)
    assert curves.bound.at_most is None


def test_rising_mass_gives_an_upper_bound_and_no_rate():
    # CV-082.
    curves = fit_curves(np.array([14.0, 28.0, 56.0, 84.0]), np.array([1.0, 1.02, 1.03, 1.05]))

    assert curves.fits == ()
    assert curves.warnings[0].code == "rate_not_positive"
    assert curves.bound.at_least is None
    assert curves.bound.at_most >= 0


def test_two_looks_refuse_three_parameters():
    # CV-082.
    curves = fit_curves(np.array([14.0, 28.0]), np.array([0.8, 0.5]))

    refused = dict(curves.refused)
    assert "double_exponential" in refused
    assert {fit.shape for fit in curves.fits} == {"first_order"}


def test_no_look_at_all_is_said_in_words():
    curves = fit_curves(np.empty(0), np.empty(0))

    assert curves.warnings[0].code == "no_look"


def test_a_loss_within_its_scatter_is_an_upper_bound():
    rng = np.random.default_rng(3)
    day = np.repeat(DAYS, 3)

    curves = fit_curves(day, np.exp(-1e-5 * day) + 0.01 * rng.standard_normal(day.size))

    single = curves.fit("first_order")
    assert curves.bound is not None
    assert curves.bound.at_least is None
    assert single is None or curves.bound.at_most > single.parameter("k")
    assert 1e-5 < curves.bound.at_most < 1e-3


def test_a_time_beyond_the_last_look_says_so():
    day = np.repeat(DAYS, 2)
    curves = fit_curves(day, np.exp(-0.005 * day))

    single = curves.fit("first_order")

    assert single.days_to_90 == pytest.approx(math.log(10) / 0.005, rel=1e-8)
    assert single.extrapolated
    assert [w.code for w in single.warnings] == ["extrapolated"]


def test_a_plateau_above_a_tenth_never_reaches_ninety():
    day = np.repeat(np.array([5.0, 14, 28, 56, 84, 112]), 2)
    curves = fit_curves(day, 0.3 + 0.7 * np.exp(-0.1 * day))

    asymptotic = curves.fit("asymptotic")

    assert asymptotic.days_to_90 is None
    assert asymptotic.plateau == pytest.approx(0.3, abs=1e-8)
    assert asymptotic.warnings[0].code == "plateau_above_a_tenth"
    assert curves.best.shape == "asymptotic"


@pytest.mark.parametrize(
    "wrong",
    [
        ([14.0, 28.0], [0.5]),
        ([14.0, float("nan")], [0.5, 0.4]),
        ([14.0, 28.0], [0.5, float("inf")]),
        ([-1.0, 28.0], [0.5, 0.4]),
    ],
)
def test_broken_looks_are_refused(wrong):
    with pytest.raises(ScienceError):
        fit_curves(np.array(wrong[0]), np.array(wrong[1]))


SIMPLE = st.sampled_from([shape for shape in SHAPES if shape is not DOUBLE_EXPONENTIAL])


@settings(max_examples=40, deadline=None)
@given(st.data(), SIMPLE)
def test_exact_data_give_their_parameters_back(data, shape):
    ranges = {
        "k": (0.01, 0.06),
        "lag": (1.0, 40.0),
        "scale": (15.0, 120.0),
        "shape": (0.5, 3.0),
        "plateau": (0.05, 0.6),
    }
    theta = np.array([data.draw(st.floats(*ranges[name]), label=name) for name in shape.names])

    fit = fit_curves(np.repeat(DAYS, 2), shape.value(np.repeat(DAYS, 2), theta)).fit(shape.name)

    assert fit.parameters == pytest.approx(theta, rel=1e-5)
    assert fit.converged


noisy = st.tuples(
    st.integers(0, 10_000), st.floats(0.005, 0.08), st.floats(0.0, 25.0), st.floats(0.01, 0.08)
)


def draw(sample):
    seed, k, lag, spread = sample
    rng = np.random.default_rng(seed)
    day = np.repeat(DAYS, 2)
    return day, np.exp(-k * np.maximum(0, day - lag)) + spread * rng.standard_normal(day.size)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
@pytest.mark.parametrize(
    "sample", [(1, 0.02, 0.0, 0.05), (2, 0.05, 18.0, 0.03), (3, 0.008, 9.0, 0.06)]
)
def test_no_global_search_finds_a_lower_sum_of_squares(sample, shape):
    day, remaining = draw(sample)
    fit = fit_curves(day, remaining).fit(shape.name)
    low, high = bounds_of(shape, day)
    # A second, slow way: differential evolution over rates on a log scale.
    positive = np.array([name in ("k", "scale", "shape", "k_fast") for name in shape.names])
    low_x, high_x = np.where(positive, np.log(np.maximum(low, 1e-12)), low), high.copy()
    high_x[positive] = np.log(high[positive])

    def rss(x):
        return ((shape.value(day, np.where(positive, np.exp(x), x)) - remaining) ** 2).sum()

    found = differential_evolution(
        rss, list(zip(low_x, high_x, strict=True)), seed=1, tol=1e-8, maxiter=120
    )
    assert fit.rss <= found.fun * (1 + 1e-6)


@settings(max_examples=25, deadline=None)
@given(noisy, st.floats(0.01, 400.0))
def test_a_change_of_time_unit_changes_rates_and_nothing_else(sample, unit):
    day, remaining = draw(sample)

    days, other = fit_curves(day, remaining), fit_curves(day / unit, remaining)

    assert [fit.shape for fit in days.fits] == [fit.shape for fit in other.fits]
    for one, two in zip(days.fits, other.fits, strict=True):
        assert two.rss == pytest.approx(one.rss, rel=1e-5)
        if one.shape == "first_order":
            assert two.parameter("k") == pytest.approx(one.parameter("k") * unit, rel=1e-6)


@settings(max_examples=25, deadline=None)
@given(noisy)
def test_the_order_of_looks_does_not_matter(sample):
    day, remaining = draw(sample)

    forwards, backwards = fit_curves(day, remaining), fit_curves(day[::-1], remaining[::-1])

    for one, two in zip(forwards.fits, backwards.fits, strict=True):
        assert two.rss == pytest.approx(one.rss, rel=1e-8)


@settings(max_examples=25, deadline=None)
@given(noisy)
def test_a_richer_shape_never_fits_worse_than_the_one_it_contains(sample):
    day, remaining = draw(sample)
    curves = fit_curves(day, remaining)
    rss = {fit.shape: fit.rss for fit in curves.fits}

    if rss:
        simple = rss["first_order"] * (1 + 1e-9) + 1e-15
        for shape in ("lag_first_order", "weibull", "asymptotic", "double_exponential"):
            assert rss[shape] <= simple
        assert rss["double_exponential"] <= rss["asymptotic"] * (1 + 1e-6) + 1e-15


def test_standard_errors_are_those_of_the_linearised_fit():
    day, remaining = draw((12, 0.03, 10.0, 0.03))
    fit = fit_curves(day, remaining).fit("weibull")
    theta = np.array(fit.parameters)
    step = 1e-6 * theta
    jacobian = np.column_stack(
        [
            (WEIBULL.value(day, theta + e) - WEIBULL.value(day, theta - e)) / (2 * e[i])
            for i, e in enumerate(np.diag(step))
        ]
    )

    covariance = fit.rss / (day.size - 2) * np.linalg.inv(jacobian.T @ jacobian)

    assert fit.standard_errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-5)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_slopes_agree_with_differences(shape):
    theta = {
        "first_order": [0.03],
        "lag_first_order": [0.03, 10.0],
        "weibull": [40.0, 1.3],
        "asymptotic": [0.05, 0.2],
        "double_exponential": [0.1, 0.01, 0.4],
    }[shape.name]
    theta = np.array(theta)
    t = np.concatenate([[0.0], DAYS])
    for j in range(theta.size):
        step = np.zeros(theta.size)
        step[j] = 1e-6 * theta[j]
        difference = (shape.value(t, theta + step) - shape.value(t, theta - step)) / (2 * step[j])
        assert shape.slope(t, theta)[:, j] == pytest.approx(difference, abs=1e-7)
    assert shape.value(np.zeros(1), theta) == pytest.approx(1.0)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_residence_time_is_the_area_under_the_curve(shape):
    theta = {
        "first_order": [0.03],
        "lag_first_order": [0.03, 10.0],
        "weibull": [40.0, 1.3],
        "asymptotic": [0.05, 0.0],
        "double_exponential": [0.1, 0.01, 0.4],
    }[shape.name]
    t = np.linspace(0, 3000, 600_001)

    area = np.trapezoid(shape.value(t, np.array(theta)), t)

    assert mean_residence(shape, np.array(theta)) == pytest.approx(area, rel=1e-6)
    left = days_to(shape, np.array(theta), 0.1)
    assert shape.value(np.array([left]), np.array(theta))[0] == pytest.approx(0.1, abs=1e-10)


def likelihood_by_hand(day, remaining, gone, limit, a, b, k, lag):
    total = 0.0
    for t, m, empty in zip(day, remaining, gone, strict=True):
        f = math.exp(-k * max(0.0, t - lag))
        sd = math.sqrt(a + b * f * f)
        total += norm.logcdf((limit - f) / sd) if empty else norm.logpdf(m, f, sd)
    return total


def test_censored_likelihood_agrees_with_a_slow_one_and_is_at_its_top():
    rng = np.random.default_rng(8)
    day = np.repeat(DAYS, 3)
    a, b, limit = 0.0004, 0.002, 0.02
    f = np.exp(-0.06 * np.maximum(0, day - 12))
    y = f + np.sqrt(a + b * f**2) * rng.standard_normal(day.size)
    gone = y <= limit

    fit = fit_censored_curves(day, y, gone, limit, (a, b)).fit("lag_first_order")
    k, lag = fit.parameters
    top = likelihood_by_hand(day, y, gone, limit, a, b, k, lag)

    assert gone.sum() > 3
    assert fit.log_likelihood == pytest.approx(top, abs=1e-9)
    for dk, dlag in ((1e-4, 0), (-1e-4, 0), (0, 0.05), (0, -0.05), (1e-4, 0.05)):
        assert likelihood_by_hand(day, y, gone, limit, a, b, k + dk, lag + dlag) < top
    assert k == pytest.approx(0.06, abs=4 * fit.standard_errors[0])
    assert lag == pytest.approx(12, abs=4 * fit.standard_errors[1])


def test_without_censoring_and_with_equal_scatter_the_likelihood_is_least_squares():
    day, remaining = draw((4, 0.02, 8.0, 0.02))

    squares = fit_curves(day, remaining)
    likelihood = fit_censored_curves(
        day, remaining, np.zeros(day.size, dtype=bool), 0.02, (0.0004, 0.0)
    )

    for one, two in zip(squares.fits, likelihood.fits, strict=True):
        assert two.rss * 0.0004 == pytest.approx(one.rss, rel=1e-6)


def test_censored_rates_are_not_biased_by_empty_bags():
    # Mean error over 200 small piles; least squares with zeros would be off by a few per cent.
    rng = np.random.default_rng(21)
    day = np.repeat(np.array([14.0, 28, 42, 56, 84]), 3)
    a, b, limit, k = 0.0003, 0.0005, 0.02, 0.06
    f = np.exp(-k * day)
    errors = []
    for _ in range(200):
        y = f + np.sqrt(a + b * f**2) * rng.standard_normal(day.size)
        fits = fit_censored_curves(day, y, y <= limit, limit, (a, b), SHAPES[:1])
        errors.append(math.log(fits.fits[0].parameter("k") / k))

    assert np.mean(errors) == pytest.approx(0, abs=4 * np.std(errors) / math.sqrt(200))
    assert np.std(errors) < 0.1


@pytest.mark.parametrize("variance", [(0.0, 0.1), (-1.0, 0.1), (0.1, -0.1), (float("nan"), 0)])
def test_an_impossible_residual_variance_is_refused(variance):
    with pytest.raises(ScienceError, match="residual variance"):
        fit_censored_curves(DAYS, np.exp(-0.1 * DAYS), DAYS < 0, 0.02, variance)


def test_what_can_only_be_bounded_is_bounded_by_likelihood_too():
    curves = fit_censored_curves(
        DAYS, np.zeros(DAYS.size), np.ones(DAYS.size, dtype=bool), 0.02, (0.001, 0.0)
    )

    assert curves.fits == ()
    assert curves.bound.at_least == pytest.approx(-math.log(0.02) / 14)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_by_likelihood_too_a_richer_shape_never_fits_worse_than_the_one_it_contains(seed):
    rng = np.random.default_rng(seed)
    days = np.sort(rng.choice(np.arange(3, 200), rng.integers(4, 9), replace=False)).astype(float)
    day = np.repeat(days, rng.integers(1, 5))
    left = np.exp(-np.exp(rng.normal(-3.7, 1)) * np.maximum(0, day - rng.uniform(0, 30)))
    left = left + rng.normal(size=len(day)) * np.sqrt(0.0004 + 0.01 * left**2)
    gone = left < 0.02

    found = fit_censored_curves(day, np.where(gone, 0, left), gone, 0.02, (0.0004, 0.01))

    contained = (
        ("first_order", "lag_first_order"),
        ("first_order", "weibull"),
        ("first_order", "asymptotic"),
        ("asymptotic", "double_exponential"),
    )
    for poor, rich in contained:
        one, other = found.fit(poor), found.fit(rich)
        if one and other and one.converged and other.converged:
            assert other.log_likelihood > one.log_likelihood - 1e-4


def test_parameters_that_cannot_be_told_apart_have_no_standard_error():
    # From such looks the double exponential is a single one: its second pool may be anything.
    day = np.array([37.0, 37, 51, 51, 94, 94, 145, 145, 193, 193])
    left = np.array([0.654, 0.563, 0.313, 0.283, 0.0, 0.031, 0.038, 0.0, 0.0, 0.021])

    for found in (
        fit_curves(day, left, left == 0),
        fit_censored_curves(day, left, left == 0, 0.02, (0.0004, 0.01)),
    ):
        assert found.best is not None
        assert all(error is None or error > 0 for f in found.fits for error in f.standard_errors)
        assert found.fit("double_exponential").standard_errors == (None, None, None)
