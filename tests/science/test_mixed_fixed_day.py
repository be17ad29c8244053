"""The fixed-day comparison: outcomes a coordinator meets, invariances, what cannot be separated."""

from dataclasses import replace

import numpy as np
import pytest

from registry.science.mixed.cells import collapse, join_sites
from registry.science.mixed.fixed_day import fit_cells, fit_fixed_day
from registry.science.mixed.fixed_day_variances import (
    FixedDayOptions,
    NotPooled,
    fit_on_materials,
)
from registry.science.mixed.general import RandomTerm, fit_mixed
from registry.science.mixed.leave_out import leave_one_site_out
from registry.science.types import ScienceError
from tests.science.mixed_reference import trial_columns


@pytest.fixture(scope="module")
def four():
    data = trial_columns("four")
    return data["site"], data["pile"], data["material"], np.array(data["value"], dtype=float)


def balanced(sites, piles, materials, bags, seed=0):
    """Labels of a full design and a value with every term in it."""
    rng = np.random.default_rng(seed)
    grid = np.meshgrid(*(np.arange(k) for k in (sites, piles, materials, bags)), indexing="ij")
    s, p, m, _ = (g.ravel() for g in grid)
    value = 40 + 10 * m + rng.normal(0, 6, sites)[s] + rng.normal(0, 4, (sites, piles))[s, p]
    value += rng.normal(0, 4, (sites, materials))[s, m]
    value += rng.normal(0, 4, (sites, piles, materials))[s, p, m] + rng.normal(0, 4, len(s))
    return s, p, m, value


def codes(result):
    return {w.code for w in result.warnings}


def test_one_site_is_not_pooled():
    s, p, m, y = balanced(1, 3, 4, 2)

    result = fit_fixed_day(s, p, m, y)

    assert isinstance(result, NotPooled)
    assert result.code == "single_site"


def test_two_sites_are_shown_without_a_prediction():
    result = fit_fixed_day(*balanced(2, 3, 4, 3))

    assert "few_sites" in codes(result)
    assert all(mean.pi_low is None and mean.pi_high is None for mean in result.means)


def test_one_pile_per_site_cannot_tell_piles_from_sites():
    result = fit_fixed_day(*balanced(6, 1, 4, 3))

    said = {a.name: a.same_as for a in result.fit.inseparable}
    assert said == {"pile": ("site",), "pile × material": ("site × material",)}
    assert all(mean.tau2_pile is None for mean in result.means)
    assert "pile cannot be separated from site." in {w.message for w in result.warnings}


def test_single_bags_cannot_tell_pile_by_material_from_the_residual():
    result = fit_fixed_day(*balanced(6, 3, 4, 1))

    said = {a.name: a.same_as for a in result.fit.inseparable}
    assert said == {"pile × material": ("residual",)}


def test_one_material_has_a_mean_and_nothing_to_compare():
    result = fit_fixed_day(*balanced(6, 3, 1, 3))

    assert result.pairs is None
    assert result.equal_materials is None
    assert {a.name for a in result.fit.inseparable} == {"site × material", "pile × material"}


@pytest.mark.parametrize("value", [np.full(72, 100.0), np.repeat(np.arange(4.0), 1)])
def test_no_spread_at_all_is_said_and_not_computed(value):
    s, p, m, y = balanced(6, 1, 4, 3)
    y = value if len(value) == len(y) else value[m]

    result = fit_fixed_day(s, p, m, y)

    assert isinstance(result, NotPooled)
    assert result.code == "no_variation"


def test_an_exactly_additive_table_gives_no_confident_number():
    # Site and material reproduce every value: differences would have a standard error of zero.
    s, p, m, _ = balanced(5, 1, 3, 1)

    result = fit_fixed_day(s, p, m, 10.0 * m + s**2)

    assert isinstance(result, NotPooled)
    assert result.code == "no_variation"


def test_a_residual_estimated_as_zero_is_a_result():
    # Found by searching small unreplicated trials with lost bags.
    site = [0, 1, 1, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 4]
    pile = [0, 0, 0, 1, 1, 2, 2, 0, 0, 0, 1, 0, 1, 0]
    material = [0, 0, 2, 0, 1, 1, 3, 0, 1, 3, 0, 0, 0, 3]
    value = [52.4, 51.6, 59.7, 52.6, 48.1, 51.9, 61.2, 62.4, 60.8, 64.4, 57.7, 44.9, 52.2, 56.9]

    result = fit_fixed_day(site, pile, material, np.array(value))

    assert result.fit.at_boundary == ("residual",)
    assert "zero_residual" in codes(result)
    assert result.fit.sigma2 < 1e-4 * min(result.fit.components.values())
    assert all(m.standard_error > 2 and m.df < 10 for m in result.means)


def test_identical_bags_count_once_and_it_is_said():
    s, p, m, _ = balanced(6, 3, 4, 1)
    rng = np.random.default_rng(1)
    y = 50 + 5 * m + rng.normal(0, 5, 6)[s] + rng.normal(0, 5, len(s))

    once = fit_fixed_day(s, p, m, y)
    thrice = fit_fixed_day(np.tile(s, 3), np.tile(p, 3), np.tile(m, 3), np.tile(y, 3))

    assert "bags_identical" in codes(thrice)
    assert [x.estimate for x in thrice.means] == pytest.approx([x.estimate for x in once.means])
    assert [x.standard_error for x in thrice.means] == pytest.approx(
        [x.standard_error for x in once.means]
    )


def test_a_material_at_one_site_is_estimated_and_named():
    data = trial_columns("one_site_only")
    y = np.array(data["value"], dtype=float)

    result = fit_fixed_day(data["site"], data["pile"], data["material"], y)

    alone = result.means[result.cells.materials.index("M5")]
    assert "material_at_one_site" in codes(result)
    assert alone.pi_low is None
    assert alone.standard_error > max(x.standard_error for x in result.means if x is not alone)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        (([1, 2], [1, 1], [1, 1], [1.0]), "different lengths"),
        (([], [], [], []), "no look"),
        (([1, 2], [1, 1], [1, 1], [1.0, np.nan]), "missing or infinite"),
    ],
)
def test_columns_that_do_not_fit_are_refused(columns, words):
    with pytest.raises(ScienceError, match=words):
        fit_fixed_day(*columns)


def test_an_unknown_reference_is_refused(four):
    with pytest.raises(ScienceError, match="M9"):
        fit_fixed_day(*four, reference="M9")


def test_the_order_of_rows_and_the_names_of_labels_do_not_matter(four):
    site, pile, material, y = four
    order = np.random.default_rng(2).permutation(len(y))
    renamed = [{"S01": "Z", "S02": "Y"}.get(site[i], site[i]) for i in order]

    plain = fit_fixed_day(*four)
    other = fit_fixed_day(
        renamed, [pile[i] + "x" for i in order], [material[i] for i in order], y[order]
    )

    assert other.fit.criterion == pytest.approx(plain.fit.criterion, abs=1e-9)
    assert other.fit.beta == pytest.approx(plain.fit.beta, rel=1e-9)
    assert [m.df for m in other.means] == pytest.approx([m.df for m in plain.means], rel=1e-6)


def test_integer_codes_and_words_give_the_same(four):
    site, pile, material, y = four
    coded = [np.unique(column, return_inverse=True)[1] for column in (site, pile, material)]

    words, numbers = fit_fixed_day(*four), fit_fixed_day(*coded, y)

    assert numbers.fit.criterion == words.fit.criterion
    assert numbers.cells.materials == ("0", "1", "2", "3", "4", "5")


@pytest.mark.parametrize(("scale", "shift"), [(0.01, 0.0), (1.0, 1e5), (1000.0, -7.0)])
def test_a_change_of_unit_moves_estimates_and_nothing_else(four, scale, shift):
    site, pile, material, y = four

    plain = fit_fixed_day(*four)
    changed = fit_fixed_day(site, pile, material, scale * y + shift)

    assert changed.fit.beta == pytest.approx(scale * plain.fit.beta + shift, rel=1e-9)
    assert changed.fit.sigma2 == pytest.approx(scale**2 * plain.fit.sigma2, rel=1e-6)
    assert changed.pairs.t == pytest.approx(plain.pairs.t, rel=1e-6)
    assert changed.pairs.df == pytest.approx(plain.pairs.df, rel=1e-6)
    letters = [m.letters for m in plain.means]
    assert [m.letters for m in changed.means] == letters


def test_a_balanced_trial_is_its_analysis_of_variance():
    # Material means' differences have variance 2 (σ_sm² / S + σ_pm² / SJ + σ² / SJN), and with
    # everything away from zero that is 2 MS(site × material) / (SJN) with (S−1)(M−1) df
    # (Searle, Casella & McCulloch 1992, ch. 4).
    sites, piles, materials, bags = 6, 3, 4, 3
    s, p, m, y = balanced(sites, piles, materials, bags, seed=3)
    table = y.reshape(sites, piles, materials, bags).mean(axis=(1, 3))
    rest = table - table.mean(axis=0) - table.mean(axis=1, keepdims=True) + table.mean()
    mean_square = piles * bags * (rest**2).sum() / ((sites - 1) * (materials - 1))

    result = fit_fixed_day(s, p, m, y)

    assert result.fit.at_boundary == ()
    expected = np.sqrt(2 * mean_square / (sites * piles * bags))
    assert result.pairs.standard_error == pytest.approx(np.full(6, expected), rel=1e-6)
    assert result.pairs.df == pytest.approx(np.full(6, 15.0), rel=1e-5)
    assert result.fit.beta == pytest.approx(table.mean(axis=0))


def test_a_prediction_for_a_new_pile_is_wider_than_the_mean(four):
    result = fit_fixed_day(*four)

    for mean in result.means:
        assert mean.pi_low < mean.ci_low < mean.estimate < mean.ci_high < mean.pi_high


def test_shrunken_site_means_lie_between_the_site_and_the_pool(four):
    result = fit_fixed_day(*four)
    cells = result.cells
    raw = (cells.count * cells.mean).sum(axis=2) / np.maximum(cells.count.sum(axis=2), 1)

    from_pool = np.abs(result.shrunken - result.fit.beta).mean()
    assert from_pool < np.abs(raw - result.fit.beta)[cells.count.sum(axis=2) > 0].mean()


def test_leaving_a_site_out_is_fitting_without_its_rows(four):
    site, pile, material, y = four
    full = fit_fixed_day(*four)
    steps = []

    left = leave_one_site_out(full.fit, full.cells, on_step=lambda done, total: steps.append(done))

    keep = [i for i, name in enumerate(site) if name != "S02"]
    direct = fit_fixed_day(
        [site[i] for i in keep], [pile[i] for i in keep], [material[i] for i in keep], y[keep]
    )
    assert [r.site for r in left] == list(full.cells.sites)
    assert steps == [1, 2, 3, 4, 5]
    assert left[1].estimate == pytest.approx(direct.fit.beta, rel=1e-6)
    assert left[1].ci_low == pytest.approx([m.ci_low for m in direct.means], rel=1e-5)


def test_leaving_out_one_of_two_sites_says_why_there_is_nothing():
    full = fit_fixed_day(*balanced(2, 3, 4, 3))

    left = leave_one_site_out(full.fit, full.cells)

    assert [r.not_pooled.code for r in left] == ["single_site", "single_site"]


def test_sites_collapsed_apart_and_joined_are_the_whole(four):
    site, pile, material, y = four
    parts = []
    for name in sorted(set(site), reverse=True):
        rows = [i for i, s in enumerate(site) if s == name]
        parts.append(
            collapse(
                [site[i] for i in rows],
                [pile[i] for i in rows],
                [material[i] for i in rows],
                y[rows],
            )
        )

    joined = fit_cells(join_sites(parts))

    assert joined.fit.criterion == pytest.approx(fit_fixed_day(*four).fit.criterion, abs=1e-9)


def test_a_repeated_column_on_materials_is_named(four):
    cells = collapse(*four)
    fibre = np.array([0.0, 10.0, 20.0, 0.0, 10.0, 20.0])
    design = np.column_stack([np.ones(6), fibre, 100 - fibre])

    fit = fit_on_materials(cells, design, ("(Intercept)", "fibre_pct", "polymer_pct"))

    assert fit.names == ("(Intercept)", "fibre_pct")
    aliased = fit.aliased[0]
    assert aliased.name == "polymer_pct"
    assert dict(zip(aliased.same_as, aliased.multiples, strict=True)) == pytest.approx(
        {"(Intercept)": 100.0, "fibre_pct": -1.0}
    )
    assert aliased.sentence == "polymer_pct cannot be separated from (Intercept) and fibre_pct."


def test_cell_means_and_an_intercept_describe_one_model(four):
    cells = collapse(*four)
    treatment = np.eye(6)
    treatment[:, 0] = 1.0

    means = fit_on_materials(cells, np.eye(6), cells.materials)
    contrasts = fit_on_materials(cells, treatment, cells.materials)

    # The change of basis has determinant one, so even the restricted likelihood is the same.
    assert contrasts.criterion == pytest.approx(means.criterion, abs=1e-9)
    assert contrasts.beta[1:] == pytest.approx(means.beta[1:] - means.beta[0], rel=1e-8)


def test_the_general_route_refuses_when_no_random_term_is_left():
    y = np.array([1.0, 2.0, 4.0])
    term = RandomTerm("site", np.arange(3), ("a", "b", "c"))

    with pytest.raises(ScienceError, match="site cannot be separated from residual"):
        fit_mixed(y, np.ones((3, 1)), ("mean",), [term])


def test_options_choose_method_and_degrees_of_freedom(four):
    reml = fit_fixed_day(*four)
    options = FixedDayOptions(method="ml", df_method="satterthwaite")

    ml = fit_fixed_day(*four, options=options)
    wide = fit_fixed_day(*four, options=replace(options, level=0.99))

    assert ml.fit.components["site"] < reml.fit.components["site"]
    assert wide.means[0].ci_low < ml.means[0].ci_low
