"""The censored, heteroscedastic likelihood of one material's cells."""

import numpy as np
import pytest
from scipy.optimize import minimize

from registry.science.one_stage.cells import check_looks, collapse
from registry.science.one_stage.likelihood import CellLikelihood
from registry.science.one_stage.residuals import (
    normal_log_cumulative,
    student_log_cumulative,
    student_log_density,
    tobit_log_likelihood,
)
from tests.science.dense_one_stage import leaf_loglik
from tests.science.one_stage_references import columns, results
from tests.science.simulated_trials import Truth, draw_trial

NU = 4.0


def small_trial(seed, **truth):
    rng = np.random.default_rng(seed)
    return draw_trial(rng, 3, [1, 2, 3], n_bags=3, truth=Truth(**truth))


def cut_trial(seed, cut):
    """A small trial without the bags above a cut, which the others then know of."""
    trial = small_trial(seed)
    if cut is None:
        return trial
    kept = trial["remaining"] <= cut
    return {**{k: v if v is None else v[kept] for k, v in trial.items()}, "cut": cut}


def likelihood_of(trial, nu=None):
    cells = collapse(check_looks(**trial), by_look=nu is not None)
    return CellLikelihood(cells, nu)


@pytest.mark.parametrize("cut", [None, 1.02])
@pytest.mark.parametrize("nu", [None, NU])
@pytest.mark.parametrize("seed", range(5))
def test_cells_say_the_same_as_bags_one_by_one(seed, nu, cut):
    trial = cut_trial(seed, cut)
    eta = np.random.default_rng(seed).normal(-3.4, 0.4, 6)

    by_leaf = likelihood_of(trial, nu).by_leaf(eta, 7.0, 0.0005, 0.006)

    expected = leaf_loglik(eta, trial["pile"], trial, 7.0, 0.0005, 0.006, nu)
    np.testing.assert_allclose(by_leaf, expected, rtol=0, atol=1e-9)


@pytest.mark.parametrize("cut", [None, 1.02])
@pytest.mark.parametrize("nu", [None, NU])
def test_derivatives_by_the_rate_agree_with_differences(nu, cut):
    likelihood = likelihood_of(cut_trial(1, cut), nu)
    eta = np.random.default_rng(2).normal(-3.4, 0.4, 6)
    at = (7.0, 0.0005, 0.006)
    h = 1e-5

    leaf, third = likelihood.to_third(eta, *at)

    up, down = likelihood.to_third(eta + h, *at)[0], likelihood.to_third(eta - h, *at)[0]
    value = (likelihood.by_leaf(eta + h, *at) - likelihood.by_leaf(eta - h, *at)) / (2 * h)
    np.testing.assert_allclose(leaf.first, value, rtol=1e-6, atol=1e-5)
    np.testing.assert_allclose(leaf.second, (up.first - down.first) / (2 * h), rtol=1e-6, atol=1e-5)
    slope = (up.second - down.second) / (2 * h)
    np.testing.assert_allclose(third.third, slope, rtol=1e-6, atol=1e-4)


@pytest.mark.parametrize("cut", [None, 1.02])
@pytest.mark.parametrize("nu", [None, NU])
@pytest.mark.parametrize("index", [0, 1, 2], ids=["lag", "a", "b"])
def test_derivatives_by_lag_and_variances_agree_with_differences(nu, cut, index):
    likelihood = likelihood_of(cut_trial(1, cut), nu)
    eta = np.random.default_rng(2).normal(-3.4, 0.4, 6)
    at = np.array([7.0, 0.0005, 0.006])
    step = np.zeros(3)
    step[index] = 1e-5 * at[index]

    _, third = likelihood.to_third(eta, *at)

    up, down = likelihood.to_third(eta, *(at + step))[0], likelihood.to_third(eta, *(at - step))[0]
    width = 2 * step[index]
    scale = 1e-6 / at[index]
    np.testing.assert_allclose(
        third.by_phi[index].sum(), (up.total - down.total) / width, rtol=1e-6
    )
    first = (up.first - down.first) / width
    np.testing.assert_allclose(third.first_by_phi[index], first, rtol=1e-5, atol=100 * scale)
    second = (up.second - down.second) / width
    np.testing.assert_allclose(third.second_by_phi[index], second, rtol=1e-5, atol=1000 * scale)


def test_far_tails_stay_finite():
    r = np.array([-1e4, -40.0, 0.0, 40.0, 1e4])

    for values in (normal_log_cumulative(r), student_log_cumulative(r, NU)):
        assert all(np.all(np.isfinite(v)) for v in values)
    # log Φ(−40), Abramowitz & Stegun 1964, 26.2.12, asymptotic series
    assert normal_log_cumulative(r)[0][1] == pytest.approx(-804.608442, abs=1e-5)


@pytest.mark.parametrize("scalar", [normal_log_cumulative, lambda r: student_log_cumulative(r, NU),
                                    lambda r: student_log_density(r, NU)])  # fmt: skip
def test_scalar_functions_have_their_own_derivatives(scalar):
    r, h = np.linspace(-6, 6, 41), 1e-5

    at, up, down = scalar(r), scalar(r + h), scalar(r - h)

    for order in range(3):
        slope = (up[order] - down[order]) / (2 * h)
        np.testing.assert_allclose(at[order + 1], slope, rtol=1e-6, atol=1e-8)


def test_the_censored_terms_reproduce_tobins_durables():
    """Tobin 1958, Econometrica 26, 24-36; pinned fit by R survival, likelihood to 1e-6."""
    data, pinned = columns("one_stage_tobin"), results("one_stage_tobin")
    x = np.column_stack([np.ones(20), data["age"], data["quant"]])
    gone = data["durable"] <= 0

    def loglik(beta, scale):
        return tobit_log_likelihood(data["durable"], x @ beta, scale, gone)

    at_pinned = loglik(np.array(list(pinned["coef"].values())), pinned["scale"])
    units = np.array([10.0, 0.1, 0.05, 1.0])
    start = np.array([15.0, -0.1, -0.05, np.log(5.0)])
    best = minimize(
        lambda x: -loglik(x[:3] * units[:3], np.exp(x[3])), start / units, method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 10_000, "maxfev": 10_000},
    )  # fmt: skip

    assert at_pinned == pytest.approx(pinned["logLik"], abs=1e-6)
    assert -best.fun == pytest.approx(pinned["logLik"], abs=1e-6)


@pytest.mark.parametrize("subject", [1, 2, 3, 4, 5, 6])
def test_lagged_decay_reproduces_least_squares_of_late_indomethacin(subject):
    """Kwan et al. 1976, J. Pharmacokin. Biopharm. 4, 255-280, from one hour on; R nls.

    A exp(−k t) is exp(−k (t − L)) with log A = k·L (L < 0 where A < 1). At nls's estimate with
    a = rss/n and b = 0 the log-likelihood is nls's and its gradient vanishes (nls stops at 1e-6).
    """
    data, pinned = columns("one_stage_indometh"), results("one_stage_indometh")
    fit = pinned["first_order_late_nls"][str(subject)]
    rows = (data["Subject"] == subject) & (data["time"] >= 1)
    n = rows.sum()
    likelihood = likelihood_of(
        {"site": np.zeros(n, int), "pile": np.zeros(n, int), "day": data["time"][rows],
         "remaining": data["conc"][rows], "censored": np.zeros(n, bool), "detection_limit": 0.02}
    )  # fmt: skip
    eta, a = fit["coef"]["lk"], fit["rss"] / n
    lag = fit["coef"]["lA"] / np.exp(eta)

    leaf, third = likelihood.to_third(np.array([eta]), lag, a, 0.0)

    assert leaf.total == pytest.approx(fit["logLik"], abs=1e-6)
    gradient = [leaf.first[0], *third.by_phi[:2].sum(axis=1) * [fit["se"]["lA"], a]]
    np.testing.assert_allclose(gradient, 0.0, atol=2e-4)
