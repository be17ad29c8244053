"""One-level pooling with known variances against published numbers and metafor."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from registry.science.heterogeneity import between_variance, pool_effects, q_profile
from registry.science.types import ScienceError
from tests.science.pooling_checks import BCG, CHECKS

YI, VI = np.array(BCG["yi"]), np.array(BCG["vi"])
TESTS = {"z": "z", "knha": "knapp_hartung"}
# metafor 3.8.1 stops its own iterations for tau2 at 1e-5; what is free of them agrees to 1e-7.
TOLERANCE = {"PM": 1e-4}


@pytest.mark.parametrize("estimator", ["EE", "DL", "REML", "ML", "PM"])
@pytest.mark.parametrize("test", ["z", "knha"])
def test_pooled_effect_equals_metafor(estimator, test):
    expected = BCG["fits"][f"{estimator}_{test}"]
    found = pool_effects(YI, VI, estimator=estimator, test=TESTS[test])
    near = {"rel": TOLERANCE.get(estimator, 1e-7), "abs": 1e-12}
    assert found.mu == pytest.approx(expected["beta"]["intrcpt"], **near)
    assert found.standard_error == pytest.approx(expected["se"]["intrcpt"], **near)
    assert found.ci_low == pytest.approx(expected["ci_lb"]["intrcpt"], **near)
    assert found.ci_high == pytest.approx(expected["ci_ub"]["intrcpt"], **near)
    assert found.tau2 == pytest.approx(expected["tau2"], **near)
    assert found.q == pytest.approx(expected["QE"], rel=1e-10)
    assert found.q_p == pytest.approx(expected["QEp"], rel=1e-7)
    assert found.i2_pct == pytest.approx(expected["I2"], **near)
    assert found.h2 == pytest.approx(expected["H2"], **near)


def test_q_profile_interval_equals_metafor():
    # metafor's root finder stops at 1e-4 of its scale.
    expected = BCG["fits"]["REML_z"]["qprofile_ci"]["values"][0][1:]
    assert q_profile(YI, VI) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("part", ["random", "alternate", "systematic"])
def test_small_subsets_equal_metafor(part):
    chosen = np.array(BCG["alloc"]) == part
    expected = BCG["fits"][f"subgroup_{part}_REML_z"]
    found = pool_effects(YI[chosen], VI[chosen], test="z")
    assert found.tau2 == pytest.approx(expected["tau2"], rel=1e-7)
    assert found.mu == pytest.approx(expected["beta"]["intrcpt"], rel=1e-7)
    assert found.standard_error == pytest.approx(expected["se"]["intrcpt"], rel=1e-7)


def test_dersimonian_laird_published_example():
    # CV-086: DerSimonian and Kacker 2007, Contemp. Clin. Trials 28, 105-114, tables on 111-112.
    given_, expected = CHECKS["CV-086"]["inputs"], CHECKS["CV-086"]["expected"]
    n1, n2, x1, x2 = (np.array(given_[k], float) for k in ("n1", "n2", "events1", "events2"))
    y = np.log(x1 * (n2 - x2) / (x2 * (n1 - x1)))
    v = 1 / x1 + 1 / (n1 - x1) + 1 / x2 + 1 / (n2 - x2)
    found = pool_effects(y, v, estimator="DL", test="z")
    assert np.sqrt(found.tau2) == pytest.approx(expected["tau"], abs=0.0005)
    assert found.mu == pytest.approx(expected["mu"], abs=0.0005)
    assert found.standard_error == pytest.approx(expected["se"], abs=0.0005)


def test_reml_published_example():
    # CV-088: vaccine trials, printed output of a public course.
    a, b, c, d = np.array(CHECKS["CV-088"]["inputs"]["tables_a_b_c_d"], float).T
    y = np.log(a / (a + b)) - np.log(c / (c + d))
    v = 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)
    expected = CHECKS["CV-088"]["expected"]
    found = pool_effects(y, v, test="z")
    assert found.mu == pytest.approx(expected["mu"], abs=0.0005)
    assert found.standard_error == pytest.approx(expected["se"], abs=0.0005)
    assert (found.ci_low, found.ci_high) == pytest.approx(expected["ci95"], abs=0.0005)
    assert found.tau2 == pytest.approx(expected["tau2"], abs=0.0005)
    assert found.i2_pct == pytest.approx(expected["I2_pct"], abs=0.005)
    assert found.q == pytest.approx(expected["Q"], abs=0.0005)


def test_published_spread_of_rates_over_twenty_sites():
    # CV-090: Gill et al. 2022, J. Ecology; sanity level for a between-site variance of log rates.
    k = np.array(CHECKS["CV-090"]["inputs"]["site_k_per_yr"])
    assert k.max() / k.min() == pytest.approx(CHECKS["CV-090"]["expected"]["ratio_max_min"], 1e-4)
    found = pool_effects(np.log(k), np.full(len(k), 1e-4))
    assert np.sqrt(found.tau2 + 1e-4) == pytest.approx(np.std(np.log(k), ddof=1), rel=1e-6)


def test_equal_effects_have_no_variance_between_them():
    found = pool_effects(np.full(4, -3.0), np.full(4, 0.04))
    assert found.tau2 == 0.0
    assert found.mu == pytest.approx(-3.0)
    assert found.standard_error == pytest.approx(0.1)
    assert q_profile(np.full(4, -3.0), np.full(4, 0.04)) == (0.0, 0.0)


def test_equal_variances_have_the_textbook_answer():
    y = np.array([-3.2, -2.9, -3.6, -3.1])
    found = pool_effects(y, np.full(4, 0.01), test="t")
    assert found.tau2 == pytest.approx(np.var(y, ddof=1) - 0.01, rel=1e-9)
    assert found.standard_error == pytest.approx(np.std(y, ddof=1) / 2, rel=1e-9)
    # t with three degrees of freedom, 97.5 % point from a printed table.
    assert (found.ci_high - found.mu) / found.standard_error == pytest.approx(3.182446, abs=1e-6)


effects = st.lists(
    st.tuples(st.floats(-6, 0), st.floats(0.001, 0.5)), min_size=2, max_size=12, unique=True
)


@given(effects, st.floats(-5, 5), st.sampled_from(["DL", "PM", "REML", "ML"]))
@settings(max_examples=60, deadline=None)
def test_adding_a_constant_moves_the_mean_and_nothing_else(pairs, shift, estimator):
    y, v = np.array(pairs).T
    found = pool_effects(y, v, estimator=estimator)
    moved = pool_effects(y + shift, v, estimator=estimator)
    assert moved.mu - found.mu == pytest.approx(shift, abs=1e-6)
    assert moved.tau2 == pytest.approx(found.tau2, rel=1e-5, abs=1e-8)


@given(effects)
@settings(max_examples=60, deadline=None)
def test_reml_is_the_maximum_of_its_plain_criterion(pairs):
    y, v = np.array(pairs).T

    def deviance(tau2):
        w = 1 / (v + tau2)
        mu = (w * y).sum() / w.sum()
        return np.log(v + tau2).sum() + np.log(w.sum()) + (w * (y - mu) ** 2).sum()

    grid = np.concatenate([[0.0], np.geomspace(1e-6, 100, 400)])
    best = min(grid, key=deviance)
    around = minimize_scalar(deviance, bounds=(best / 1.1, best * 1.1 + 1e-6), method="bounded")
    lowest = min(deviance(best), around.fun, deviance(0.0))
    assert deviance(between_variance(y, v, "REML")) <= lowest + 1e-8


@pytest.mark.parametrize(
    ("effect", "variance"),
    [([1.0], [0.1]), ([1.0, np.nan], [0.1, 0.1]), ([1.0, 2.0], [0.1, 0.0]), ([1.0, 2.0], [0.1])],
)
def test_what_cannot_be_pooled_is_refused(effect, variance):
    with pytest.raises(ScienceError):
        pool_effects(np.array(effect), np.array(variance))
