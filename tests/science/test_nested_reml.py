"""Site random, pile nested in site, known variances: metafor, a dense twin, invariances."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from registry.science.heterogeneity import between_variance
from registry.science.nested_reml import criterion, fit_nested
from registry.science.nested_sums import NestedEffects
from registry.science.two_stage import pad, pool_piles
from tests.science.pooling_checks import BCG, NESTED

# metafor's optimisers stop where the criterion no longer changes in double precision; a variance is
# then good to about the square root of that.
TAU_TOLERANCE = 3e-6
MU_TOLERANCE = 1e-6


def rectangle(y, v, site, c=None):
    c = np.ones(len(y)) if c is None else c
    sites, row = np.unique(site, return_inverse=True)
    return pad(np.asarray(y, float), np.asarray(v, float), c, row, len(sites))[0]


def dense_criterion(y, v, c, site, tau2, restricted=True):
    """The same criterion from whole matrices, as slowly and plainly as possible."""
    big_v = np.diag(v + c * tau2[1]) + tau2[0] * (site[:, None] == site)
    inverse = np.linalg.inv(big_v)
    x = np.ones(len(y))
    information = x @ inverse @ x
    residual = y - x @ inverse @ y / information
    value = np.linalg.slogdet(big_v)[1] + residual @ inverse @ residual
    return -0.5 * (value + (np.log(information) if restricted else 0.0))


def test_the_reference_grid_has_not_shrunk():
    assert len(NESTED) == 7
    assert sum(len(case["y"]) for case in NESTED) == 18 + 20 + 18 + 28 + 15 + 9 + 120


@pytest.mark.parametrize("case", NESTED, ids=lambda case: case["name"])
@pytest.mark.parametrize("method", ["REML", "ML"])
def test_nested_fit_equals_metafor(case, method):
    expected = case[method]
    y, v, site = (np.array(case[k]) for k in ("y", "v", "site"))
    fit = fit_nested(rectangle(y, v, site), restricted=method == "REML")
    assert fit.tau2[0] == pytest.approx(expected["tau2"], rel=TAU_TOLERANCE, abs=1e-7)
    assert fit.mu[0] == pytest.approx(expected["mu"], abs=MU_TOLERANCE)
    assert fit.standard_error[0] == pytest.approx(expected["se"], rel=MU_TOLERANCE)
    n = len(y)
    constant = -0.5 * (n - 1) * np.log(2 * np.pi) + 0.5 * np.log(n)
    if method == "ML":
        constant = -0.5 * n * np.log(2 * np.pi)
    # The same criterion at its optimum; metafor stops up to 2e-8 short where variances are zero.
    loglik = fit.criterion[0] + constant
    assert expected["loglik"] - 1e-9 <= loglik <= expected["loglik"] + 1e-7


@pytest.mark.parametrize("case", NESTED, ids=lambda case: case["name"])
def test_shrunken_site_effects_equal_metafor(case):
    y, v, site = (np.array(case[k]) for k in ("y", "v", "site"))
    found = pool_piles(y, v, np.ones(len(y)), site)
    expected = np.array(case["REML"]["site_effect"])
    assert found.sites.shrunken - found.mu == pytest.approx(expected, abs=3e-6)
    assert found.sites.weight_pct.sum() == pytest.approx(100)


def test_one_pile_at_every_site_is_ordinary_pooling_with_the_spread_between_sites():
    y, v = np.array(BCG["yi"]), np.array(BCG["vi"])
    found = pool_piles(y, v, np.ones(13), np.arange(13))
    expected = BCG["fits"]["REML_z"]
    assert not found.separable
    assert found.tau2_pile == 0.0
    assert found.tau2_site == pytest.approx(expected["tau2"], rel=1e-7)
    assert found.mu == pytest.approx(expected["beta"]["intrcpt"], rel=1e-7)
    assert found.i2_pct == pytest.approx(expected["I2"], rel=1e-7)
    assert found.sites.shrunken == pytest.approx(expected["blup"]["pred"], rel=1e-6)
    assert found.sites.weight_pct == pytest.approx(
        BCG["fits"]["influence_REML"]["weight"], rel=1e-6
    )


def test_leaving_one_site_out_equals_metafor():
    y, v = np.array(BCG["yi"]), np.array(BCG["vi"])
    found = pool_piles(y, v, np.ones(13), np.arange(13))
    expected = BCG["fits"]["REML_z"]["leave1out"]
    # metafor refits each with its own tolerance of 1e-5 on the variance.
    assert found.left_out_mu == pytest.approx(expected["estimate"], rel=1e-6)
    assert found.left_out_se == pytest.approx(expected["se"], rel=1e-6)
    tau2 = BCG["fits"]["influence_REML"]["tau2.del"]
    assert found.left_out_tau2_site == pytest.approx(tau2, rel=1e-6)


@pytest.mark.parametrize("case", NESTED[:3], ids=lambda case: case["name"])
def test_leaving_one_site_out_equals_a_fit_without_it(case):
    y, v, site = (np.array(case[k]) for k in ("y", "v", "site"))
    found = pool_piles(y, v, np.ones(len(y)), site)
    for i, s in enumerate(np.unique(site)):
        rest = site != s
        alone = pool_piles(y[rest], v[rest], np.ones(rest.sum()), site[rest])
        assert found.left_out_mu[i] == pytest.approx(alone.mu, abs=1e-8)
        assert found.left_out_se[i] == pytest.approx(alone.standard_error, rel=1e-7)
        assert found.left_out_tau2_site[i] == pytest.approx(alone.tau2_site, abs=1e-8)


def uneven_effects(seed):
    """Sites with one or two units of very unequal variance: the criterion often has two tops."""
    rng = np.random.default_rng(seed)
    n_sites = int(rng.integers(22, 30))
    site = np.repeat(np.arange(n_sites), rng.integers(1, 3, n_sites))
    between, within = rng.choice([0, 0.05, 0.2]), rng.choice([0, 0.05, 0.2])
    y = rng.normal(0, between, n_sites)[site] + rng.normal(0, within, len(site))
    v = rng.uniform(0.01, 0.3, len(site)) ** 2
    return y + rng.normal(0, 1, len(site)) * np.sqrt(v), v, site


@pytest.mark.parametrize("seed", [57, 60, 196, 221, 324])
def test_the_higher_of_two_optima_is_taken_without_each_site(seed):
    """In each of these one site moves the top to the other side: from the optimum with all sites
    the nearer one is up to 0.13 of a log-likelihood lower."""
    y, v, site = uneven_effects(seed)
    found = pool_piles(y, v, np.ones(len(y)), site)
    for s in np.unique(site):
        rest = site != s
        alone = fit_nested(rectangle(y[rest], v[rest], site[rest]))
        assert found.left_out_tau2_site[s] == pytest.approx(alone.tau2[0, 0], abs=1e-8)
        assert found.left_out_mu[s] == pytest.approx(alone.mu[0], abs=1e-8)


@pytest.mark.parametrize("seed", range(40))
def test_no_allowed_direction_rises_from_an_optimum(seed):
    """First-order conditions on τ² ≥ 0 (Nocedal & Wright 2006, ch. 16), near zero in many."""
    y, v, site = uneven_effects(seed)
    effects = rectangle(y, v, site)
    found = fit_nested(effects)
    _, slope = criterion(effects, found.tau2[0])
    rising = np.where(found.tau2[0] > 0, np.abs(slope), np.maximum(slope, 0))
    assert (rising * effects.scale).max() < 1e-8


def test_two_equal_sites_have_no_variance_and_the_plain_mean():
    y = np.array([-3.1, -2.9, -3.1, -2.9])
    found = pool_piles(y, np.full(4, 0.04), np.ones(4), np.array([0, 0, 1, 1]))
    assert found.tau2_site == 0.0
    assert found.mu == pytest.approx(-3.0)
    assert found.at_boundary


@st.composite
def designs(draw):
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n_sites = draw(st.integers(2, 9))
    site = np.repeat(np.arange(n_sites), rng.integers(1, 6, n_sites))
    n = len(site)
    tau = draw(st.tuples(*[st.sampled_from([0.0, 0.0, 0.01, 0.1, 0.5])] * 2))
    v = rng.uniform(0.002, draw(st.sampled_from([0.01, 0.1, 0.5])), n)
    c = np.where(rng.random(n) < 0.2, 0.5, 1.0)
    y = (
        -3
        + rng.normal(0, 1, n_sites)[site] * np.sqrt(tau[0])
        + rng.normal(0, 1, n) * np.sqrt(v + c * tau[1])
    )
    return y, v, c, site


@given(designs(), st.booleans())
@settings(max_examples=200, deadline=None)
def test_the_optimum_is_not_below_that_of_the_dense_twin(design, restricted):
    y, v, c, site = design
    fit = fit_nested(rectangle(y, v, site, c), restricted=restricted)
    assert fit.criterion[0] == pytest.approx(
        dense_criterion(y, v, c, site, fit.tau2[0], restricted), abs=1e-8
    )
    starts = [[0.1, 0.1], [0.5, 1e-3], [1e-3, 0.5], [1e-4, 1e-4]]
    found = [
        minimize(
            lambda x: -dense_criterion(y, v, c, site, x, restricted),
            start,
            bounds=[(0, None)] * 2,
            method="L-BFGS-B",
            options={"ftol": 1e-15, "gtol": 1e-8},
        ).fun
        for start in starts
    ]
    assert fit.criterion[0] >= -min(found) - 1e-8


@given(designs(), st.tuples(st.floats(0.001, 1), st.floats(0.001, 1)))
@settings(max_examples=50, deadline=None)
def test_the_gradient_is_the_slope_of_the_criterion(design, tau2):
    y, v, c, site = design
    effects = rectangle(y, v, site, c)
    _, gradient = criterion(effects, np.array(tau2))
    for j in range(2):
        step = np.zeros(2)
        step[j] = 1e-6 * tau2[j]
        slope = (
            dense_criterion(y, v, c, site, tau2 + step)
            - dense_criterion(y, v, c, site, tau2 - step)
        ) / (2 * step[j])
        assert gradient[j] == pytest.approx(slope, rel=1e-4, abs=1e-4)


@given(designs(), st.integers(0, 1000))
@settings(max_examples=50, deadline=None)
def test_order_and_labels_of_sites_do_not_matter(design, seed):
    y, v, c, site = design
    order = np.random.default_rng(seed).permutation(len(y))
    found = pool_piles(y, v, c, site)
    other = pool_piles(y[order], v[order], c[order], 100 - site[order])
    assert other.mu == pytest.approx(found.mu, abs=1e-7)
    assert other.tau2_site == pytest.approx(found.tau2_site, rel=1e-5, abs=1e-8)
    assert other.sites.effect == pytest.approx(found.sites.effect[::-1], abs=1e-6)


def test_batched_fits_equal_single_ones():
    case = NESTED[1]
    y, v, site = (np.array(case[k]) for k in ("y", "v", "site"))
    effects = rectangle(y, v, site)
    keep = np.ones((3, effects.n_sites), dtype=bool)
    keep[1, 0] = keep[2, 3] = False
    batch = fit_nested(effects, keep)
    for i in range(3):
        one = fit_nested(
            NestedEffects(
                effects.effect[keep[i]],
                effects.variance[keep[i]],
                effects.multiplier[keep[i]],
                effects.present[keep[i]],
            )
        )
        assert batch.mu[i] == pytest.approx(one.mu[0], abs=1e-9)
        assert batch.tau2[i] == pytest.approx(one.tau2[0], abs=1e-8)


def test_ordinary_estimators_agree_when_variances_are_equal():
    y, v = np.array([-3.2, -2.9, -3.6, -3.1, -2.5]), np.full(5, 0.01)
    reml, dl, pm = (between_variance(y, v, e) for e in ("REML", "DL", "PM"))
    assert reml == pytest.approx(dl, rel=1e-9)
    assert reml == pytest.approx(pm, rel=1e-9)
