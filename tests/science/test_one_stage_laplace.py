"""Laplace's approximation over nested rates: gradient, dense double, quadrature, other software."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import norm

from registry.science.one_stage.cells import check_looks, collapse
from registry.science.one_stage.laplace import Theta, evaluate
from registry.science.one_stage.likelihood import CellLikelihood
from registry.science.one_stage.quadrature import quadrature_loglik
from tests.science.dense_one_stage import laplace_criterion, leaf_loglik
from tests.science.one_stage_references import columns, results
from tests.science.simulated_trials import Truth, draw_trial

N_DESIGNS = 200
# The dense double takes second derivatives by differences, good to about 1e-7 of a log-likelihood.
DENSE = 1e-6


def random_design(seed):
    """An unbalanced trial with lost bags, θ near its truth, often on the boundary τ = 0."""
    rng = np.random.default_rng(seed)
    n_sites = int(rng.integers(1, 6))
    truth = Truth(
        mu=rng.uniform(-4.2, -2.8),
        tau_site=rng.choice([0.0, 0.2, 0.6]),
        tau_pile=rng.choice([0.0, 0.15, 0.4]),
        tau_bag=rng.choice([0.0, 0.0, 0.2]),
        lag=rng.choice([0.0, 8.0]),
    )
    days = np.sort(rng.choice([14, 28, 42, 56, 84, 112], rng.integers(2, 6), replace=False))
    trial = draw_trial(rng, n_sites, rng.integers(1, 4, n_sites), days, 2, truth)
    kept = rng.random(len(trial["day"])) > 0.2
    trial = {k: v if v is None else v[kept] for k, v in trial.items()}
    taus = [truth.tau_pile * rng.uniform(0.7, 1.3), truth.tau_site * rng.uniform(0.7, 1.3)]
    if trial["bag"] is not None:
        taus.insert(0, truth.tau_bag)
    return trial, truth, np.array(taus)


def fast_evaluation(trial, lag, a, b, taus, mean=None, nu=None, start=None):
    cells = collapse(check_looks(**trial), by_look=nu is not None)
    assert len(taus) == cells.nest.n_levels
    theta = Theta(lag, a, b, np.asarray(taus) ** 2, mean)
    begin = np.full(cells.n_leaves, -3.5) if start is None else start
    return evaluate(CellLikelihood(cells, nu), theta, begin)


def has_repeats(trial):
    return trial["bag"] is None or len(np.unique(trial["bag"])) < len(trial["bag"])


@pytest.mark.parametrize("mean", ["flat", "given"])
def test_two_hundred_unbalanced_designs_agree_with_a_dense_double(mean):
    compared = boundary = 0
    for seed in range(N_DESIGNS + 20):
        trial, truth, taus = random_design(seed)
        if len(trial["day"]) < 4 or not has_repeats(trial):
            continue
        given = truth.mu if mean == "given" else None

        fast = fast_evaluation(trial, truth.lag, truth.a, truth.b, taus, given)
        dense = laplace_criterion(trial, truth.lag, truth.a, truth.b, taus, given, start=truth.mu)

        assert fast.criterion == pytest.approx(dense, abs=DENSE * max(1.0, abs(dense))), seed
        compared += 1
        boundary += np.any(taus == 0.0)
    assert compared >= N_DESIGNS
    assert boundary >= N_DESIGNS / 4


@pytest.mark.parametrize("nu", [None, 4.0])
@pytest.mark.parametrize("tau_bag", [0.0, 0.2])
@pytest.mark.parametrize("mean", [None, -3.3])
def test_the_gradient_is_that_of_the_criterion(nu, tau_bag, mean):
    rng = np.random.default_rng(5)
    trial = draw_trial(rng, 5, [1, 2, 3, 2, 3], n_bags=3, truth=Truth(tau_bag=tau_bag))
    taus2 = [0.03] * (tau_bag > 0) + [0.05, 0.1]
    x = np.array([7.5, 0.0004, 0.0064, *taus2] + ([mean] if mean else []))

    def at(x, start=None):
        tail = x[-1] if mean else None
        taus = np.sqrt(x[3 : 3 + len(taus2)])
        return fast_evaluation(trial, *x[:3], taus, tail, nu, start)

    here = at(x)
    for i in range(len(x)):
        step = np.zeros(len(x))
        step[i] = 1e-5 * abs(x[i])
        ends = [at(x + s * step, here.mode).criterion for s in (1, -1)]
        difference = (ends[0] - ends[1]) / (2 * step[i])
        assert here.gradient[i] == pytest.approx(difference, rel=2e-6)


def test_the_gradient_by_a_variance_holds_at_zero():
    trial = draw_trial(np.random.default_rng(8), 4, 2)

    at_zero = fast_evaluation(trial, 7.5, 0.0004, 0.0064, [0.0, 0.0])
    near = fast_evaluation(trial, 7.5, 0.0004, 0.0064, np.sqrt([1e-7, 0.0]))

    slope = (near.criterion - at_zero.criterion) / 1e-7
    assert at_zero.gradient[3] == pytest.approx(slope, rel=1e-3)


def test_quadrature_agrees_with_a_fine_grid_over_both_effects():
    """A second way to the same marginal likelihood: the trapezium rule, which converges faster than
    any power for such bell curves, over bag-wise densities."""
    truth = Truth()
    trial = draw_trial(np.random.default_rng(3), 2, [2, 1], (14, 42, 84), 2, truth)
    tau_site, tau_pile = 0.4, 0.3
    u, d = np.linspace(-3, 3, 401), np.linspace(-2.5, 2.5, 401)
    total = truth.mu + u[:, None] + d[None, :]

    def of_pile(p):
        rows = trial["pile"] == p
        part = {k: v if v is None else np.tile(v[rows], total.size) for k, v in trial.items()}
        leaf = np.repeat(np.arange(total.size), rows.sum())
        loglik = leaf_loglik(total.ravel(), leaf, part, truth.lag, truth.a, truth.b)
        density = np.exp(loglik.reshape(total.shape)) * norm.pdf(d, 0, tau_pile)
        return np.trapezoid(density, d, axis=1)

    def of_site(piles):
        product = np.prod([of_pile(p) for p in piles], axis=0)
        return np.log(np.trapezoid(product * norm.pdf(u, 0, tau_site), u))

    expected = of_site([0, 1]) + of_site([2])
    found = fast_evaluation(trial, truth.lag, truth.a, truth.b, [tau_pile, tau_site], truth.mu)
    likelihood = CellLikelihood(collapse(check_looks(**trial)))

    def with_nodes(n):
        def by_leaf(eta):
            return likelihood.by_leaf(eta, truth.lag, truth.a, truth.b)

        return quadrature_loglik(by_leaf, truth.mu, found.mode.node_sums, found.mode.sweep, n)

    assert with_nodes(1) == pytest.approx(found.criterion, abs=1e-9)
    assert with_nodes(25) == pytest.approx(expected, abs=1e-6)
    assert found.criterion == pytest.approx(expected, abs=0.05)


def test_an_uncensored_equal_variance_trial_agrees_with_lme4_nlmer():
    """R lme4's nlmer, whose Laplace puts the expected information where ours has the observed one.

    Hence 1e-3 of a standard deviation and 0.1 in log-likelihood, not the last digit.
    """
    data, pinned = columns("one_stage_nlmer"), results("one_stage_nlmer")
    n = len(data["day"])
    looks = check_looks(
        data["site"], data["pile"], data["day"], data["remaining"], np.zeros(n, bool), 0.02
    )
    likelihood = CellLikelihood(collapse(looks))
    start = np.full(looks.n_piles, -3.7)

    def falling(x):
        theta = Theta(0.0, x[0] ** 2, 0.0, x[2:0:-1] ** 2, x[3])
        found = evaluate(likelihood, theta, start)
        g = found.gradient
        by_x = [2 * x[0] * g[1], 2 * x[1] * g[4], 2 * x[2] * g[3], g[5]]
        return -found.criterion, -np.array(by_x)

    best = minimize(falling, [0.05, 0.5, 0.3, -3.6], jac=True, options={"gtol": 1e-6})

    assert -best.fun == pytest.approx(pinned["loglik"], abs=0.1)
    assert best.x[3] == pytest.approx(pinned["mu"], abs=1e-3 * pinned["sd_site"])
    assert best.x[0] == pytest.approx(pinned["sd_residual"], rel=1e-3)
    assert best.x[1] == pytest.approx(pinned["sd_site"], rel=2e-3)
    assert best.x[2] == pytest.approx(pinned["sd_pile"], rel=2e-3)
