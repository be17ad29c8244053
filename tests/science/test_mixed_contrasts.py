"""Contrasts, multiplicity and letters against emmeans, scipy and numerical integration in R."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import studentized_range

from registry.science.mixed.contrasts import against_reference, all_pairs, letters_of
from registry.science.mixed.degrees_of_freedom import estimate_linear
from registry.science.mixed.letters import compact_letters
from registry.science.mixed.multiplicity import (
    holm,
    multivariate_t,
    multivariate_t_margin,
    tukey,
    two_sided,
)
from registry.science.mixed.studentized_range import (
    studentized_range_quantile,
    studentized_range_tail,
)
from tests.science.mixed_reference import NITROGEN, PUBLIC, TRIALS, VARIETIES, public_model

# emmeans of R: marginal means are averages over the other factor, cells in its order.
MARGINAL = [
    ("lmm.Oats.splitplot_factor", "emmeans_cell_KR", "kenward_roger"),
    ("lmm.Oats.additive_factor", "emmeans_nitro_KR", "kenward_roger"),
    ("lmm.Oats.additive_factor", "emmeans_variety_KR", "kenward_roger"),
    ("lmm.Oats_unbalanced", "emmeans_nitro_KR", "kenward_roger"),
    ("lmm.Oats_unbalanced", "emmeans_nitro_Satterthwaite", "satterthwaite"),
]
each_grid = pytest.mark.parametrize(("name", "key", "df_method"), MARGINAL)


def means_matrix(fit, rows):
    """(k, p) combinations of β that are the marginal means in `rows`."""

    def weight(column, row):
        value = 1.0
        for part in column.split(":") if column != "(Intercept)" else []:
            factor, levels = (
                ("Variety", VARIETIES) if part.startswith("V") else ("nitroF", NITROGEN)
            )
            level = part.removeprefix(factor)
            value *= float(row[factor] == level) if factor in row else 1 / len(levels)
        return value

    return np.array([[weight(column, row) for column in fit.names] for row in rows])


@each_grid
def test_means_and_intervals_are_those_of_emmeans(name, key, df_method):
    fit = public_model(name).fit("reml")
    rows = PUBLIC[name][key]["emmeans"]

    linear = estimate_linear(fit, means_matrix(fit, rows), df_method)

    assert linear.estimate == pytest.approx([r["emmean"] for r in rows], rel=1e-6)
    assert linear.standard_error == pytest.approx([r["SE"] for r in rows], rel=1e-6)
    assert linear.df == pytest.approx([r["df"] for r in rows], rel=1e-6)


@each_grid
def test_tukey_pairs_are_those_of_emmeans(name, key, df_method):
    fit = public_model(name).fit("reml")
    means = means_matrix(fit, PUBLIC[name][key]["emmeans"])
    rows = PUBLIC[name][key]["pairs_tukey"]

    pairs = all_pairs(fit, means, df_method=df_method)

    assert pairs.estimate == pytest.approx([r["estimate"] for r in rows], rel=1e-6)
    assert pairs.standard_error == pytest.approx([r["SE"] for r in rows], rel=1e-6)
    assert pairs.df == pytest.approx([r["df"] for r in rows], rel=1e-6)
    # R's ptukey and qtukey promise no more than six digits (its help page, "eps = 1").
    assert pairs.p_adjusted == pytest.approx([r["p.value"] for r in rows], rel=1e-5, abs=1e-9)
    assert pairs.ci_low == pytest.approx([r["lower.CL"] for r in rows], rel=1e-4, abs=1e-4)
    assert pairs.ci_high == pytest.approx([r["upper.CL"] for r in rows], rel=1e-4, abs=1e-4)


@each_grid
@pytest.mark.parametrize(
    ("adjustment", "table"), [("none", "pairs_unadjusted"), ("holm", "pairs_holm")]
)
def test_other_adjustments_are_those_of_emmeans(name, key, df_method, adjustment, table):
    fit = public_model(name).fit("reml")
    means = means_matrix(fit, PUBLIC[name][key]["emmeans"])

    pairs = all_pairs(fit, means, adjustment, df_method)

    expected = [r["p.value"] for r in PUBLIC[name][key][table]]
    assert pairs.p_adjusted == pytest.approx(expected, rel=1e-5)


@each_grid
def test_letters_say_the_same_as_those_of_emmeans(name, key, df_method):
    fit = public_model(name).fit("reml")
    rows = PUBLIC[name][key]["emmeans"]
    means = means_matrix(fit, rows)

    letters = letters_of(all_pairs(fit, means, df_method=df_method), means @ fit.beta)

    table = PUBLIC[name][key]["cld"]
    factors = [f for f in ("nitroF", "Variety") if f in rows[0]]
    place = {tuple(table[f][i] for f in factors): i for i in range(len(table["emmean"]))}
    theirs = [set(table[".group"][place[tuple(r[f] for f in factors)]]) - {" "} for r in rows]
    groups = set().union(*theirs)
    for i in range(len(rows)):
        for j in range(len(rows)):
            assert bool(set(letters[i]) & set(letters[j])) == bool(theirs[i] & theirs[j])
    assert len(set("".join(letters))) <= len(groups)


def test_contrasts_with_a_reference_leave_the_reference_out():
    fit = public_model("lmm.Oats.additive_factor").fit("reml")
    means = means_matrix(fit, PUBLIC["lmm.Oats.additive_factor"]["emmeans_nitro_KR"]["emmeans"])

    contrasts = against_reference(fit, means, 0)
    single = against_reference(fit, means, 0, "none")
    pairs = all_pairs(fit, means)

    assert list(contrasts.first) == [1, 2, 3]
    assert contrasts.estimate == pytest.approx(-pairs.estimate[:3])
    assert np.all(contrasts.p_adjusted >= single.p_adjusted)
    assert np.all(contrasts.p_adjusted <= np.minimum(3 * single.p_adjusted, pairs.p_adjusted[:3]))
    assert np.all(contrasts.ci_low < single.ci_low)


@pytest.mark.parametrize("k", [2, 3, 7, 50])
@pytest.mark.parametrize("df", [2.5, 8.3, 44.6, 1000.0])
def test_the_studentized_range_is_that_of_scipy(k, df):
    q = np.array([0.3, 2.0, 3.5, 6.0, 14.0])

    tail = studentized_range_tail(q, k, np.full(5, df))

    # scipy integrates adaptively to about 1e-10.
    assert tail == pytest.approx(studentized_range.sf(q, k, df), rel=1e-7, abs=2e-9)


@pytest.mark.parametrize(("k", "df"), [(2, 3.0), (12, 30.5), (50, 8.0)])
def test_the_studentized_range_quantile_inverts_the_tail(k, df):
    q = studentized_range_quantile(0.95, k, np.array([df, 2 * df]))

    assert studentized_range_tail(q, k, np.array([df, 2 * df])) == pytest.approx([0.05, 0.05])
    assert q[0] == pytest.approx(studentized_range.ppf(0.95, k, df), rel=1e-8)


def test_two_means_need_no_adjustment():
    t, df = np.array([0.4, 2.2, 5.0]), np.array([3.0, 12.5, 80.0])

    assert tukey(t, df, 2) == pytest.approx(two_sided(t, df), rel=1e-8)


def test_holm_by_hand():
    # Holm (1979): 3 × 0.01, then max with 2 × 0.03, then max with 1 × 0.04.
    assert holm(np.array([0.04, 0.01, 0.03])) == pytest.approx([0.06, 0.03, 0.06])


def test_the_multivariate_t_is_that_of_numerical_integration():
    # mvtnorm::pmvt in R, to 1e-6; our lattice of 20,000 points is good to about 3e-4.
    case = TRIALS["multivariate_t"]
    t, df = np.array(case["t"]), np.full(6, float(case["df"]))

    p = multivariate_t(t, df, np.array(case["correlation"]))

    assert p == pytest.approx(case["p"], abs=5e-4)


def test_the_multivariate_t_margin_has_its_level():
    correlation = np.array(TRIALS["multivariate_t"]["correlation"])
    df = np.full(6, 9.0)

    margin = multivariate_t_margin(0.95, df, correlation)

    assert multivariate_t(margin, df, correlation) == pytest.approx(np.full(6, 0.05), rel=1e-6)


def test_letters_by_hand():
    # Means 5 > 3 > 1; only the extremes are shown to differ.
    different = np.array([[0, 0, 1], [0, 0, 0], [1, 0, 0]], dtype=bool)

    assert compact_letters(np.array([5.0, 3.0, 1.0]), different) == ("a", "ab", "b")
    assert compact_letters(np.array([1.0, 3.0, 5.0]), different) == ("b", "ab", "a")


@settings(max_examples=100, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1), k=st.integers(1, 12), share=st.floats(0, 1))
def test_two_share_a_letter_exactly_when_no_difference_is_shown(seed, k, share):
    rng = np.random.default_rng(seed)
    different = np.triu(rng.random((k, k)) < share, 1)
    different = different | different.T

    letters = compact_letters(rng.normal(size=k), different)

    shared = np.array([[bool(set(a) & set(b)) for b in letters] for a in letters])
    assert np.array_equal(shared | np.eye(k, dtype=bool), ~different | np.eye(k, dtype=bool))
    assert all(letters)
