"""Records of the primary day: losses compared across materials, and visual scores."""

import numpy as np
import pytest
from scipy.stats import t as student_t

from registry.science.formulation import Contrasted
from registry.science.looks import code_looks
from registry.science.plan import Components, Plan, expect_difference
from registry.science.pooling import pool_trial
from registry.science.types import LookColumns, PooledEstimate

MATERIALS = ("FILM", "MAT", "POT")
MEAN_LEFT = {"FILM": 0.1, "MAT": 0.4, "POT": 0.45}
DAY = 84.0


@pytest.fixture(scope="module")
def records() -> list[PooledEstimate]:
    return _pooled(n_sites=5)


def _pooled(n_sites: int, families: tuple[Contrasted, ...] = ()) -> list[PooledEstimate]:
    """Bags of three materials at every site, two piles each, four bags a pile, one day."""
    rng = np.random.default_rng(7)
    rows = []
    for s in range(n_sites):
        site_effect = rng.normal(0, 0.05)
        for p in range(2):
            pile_effect = rng.normal(0, 0.03)
            for material in MATERIALS:
                for b in range(4):
                    left = MEAN_LEFT[material] + site_effect + pile_effect + rng.normal(0, 0.02)
                    rows.append((f"S{s}", f"P{p}", material, f"{s}{p}{material}{b}", max(left, 0)))
    site, pile, material, bag, left = zip(*rows, strict=True)
    n = len(rows)
    columns = LookColumns(
        site=site,
        pile=pile,
        material=material,
        bag=bag,
        day=np.full(n, DAY),
        remaining=np.array(left),
        outcome=["recovered"] * n,
        detection_limit=np.full(n, 0.02),
        excluded=np.zeros(n, dtype=bool),
        fragmentation=np.clip(np.round(5 * (1 - np.array(left))), 0, 5),
    )
    return list(
        pool_trial(
            code_looks(columns),
            primary_day=DAY,
            schedule_days=(DAY,),
            reference_material="POT",
            families=families,
        )
    )


def test_the_variances_told_are_those_behind_the_differences(records: list[PooledEstimate]) -> None:
    film = _of(records, "fixed_day")["FILM"]
    parts = Components(
        site=film.tau2_site - film.tau2_site_material,
        site_material=film.tau2_site_material,
        pile=film.tau2_pile - film.tau2_pile_material,
        pile_material=film.tau2_pile_material,
        residual=film.residual_variance,
    )

    expected = expect_difference(parts, Plan(sites=5, piles=2, materials=3, bags=4))

    assert film.residual_variance == pytest.approx(4.0, rel=0.5)  # drawn with an SD of 2 points
    assert film.comparisons[0].standard_error == pytest.approx(expected.standard_error, rel=1e-6)


def _of(records: list[PooledEstimate], model: str) -> dict[str, PooledEstimate]:
    return {item.material: item for item in records if item.model == model and item.day == DAY}


def test_balanced_means_are_the_plain_means_and_differences_are_opposite(
    records: list[PooledEstimate],
) -> None:
    losses = _of(records, "fixed_day")

    film, pot = losses["FILM"], losses["POT"]
    site_means = [part.estimate for part in film.sites]

    # In a balanced design the estimate is the mean of the sites' means, whatever the variances.
    assert film.estimate == pytest.approx(np.mean(site_means), rel=1e-9)
    one = next(c for c in film.comparisons if c.other == "POT")
    other = next(c for c in pot.comparisons if c.other == "FILM")
    assert one.difference == pytest.approx(-other.difference, rel=1e-12)
    assert one.difference == pytest.approx(film.estimate - pot.estimate, rel=1e-9)
    assert (one.ci_low, one.ci_high) == pytest.approx((-other.ci_high, -other.ci_low), rel=1e-9)


def test_letters_follow_the_adjusted_comparisons(records: list[PooledEstimate]) -> None:
    losses = _of(records, "fixed_day")

    for item in losses.values():
        for comparison in item.comparisons:
            shares = set(item.letters) & set(losses[comparison.other].letters)
            assert bool(shares) == (comparison.p_adjusted > 0.05)


def test_reference_is_compared_with_everything_but_itself(records: list[PooledEstimate]) -> None:
    losses = _of(records, "fixed_day")

    assert losses["POT"].against_reference is None
    against = losses["FILM"].against_reference
    assert against is not None
    assert against.other == "POT"
    # Fewer comparisons, so a smaller allowance than for all pairs.
    pair = next(c for c in losses["FILM"].comparisons if c.other == "POT")
    assert against.ci_high - against.ci_low < pair.ci_high - pair.ci_low


def test_a_family_of_all_is_the_comparison_with_the_reference() -> None:
    losses = _of(_pooled(5, (Contrasted("POT", ("FILM", "MAT", "NOT-SEEN")),)), "fixed_day")

    assert losses["POT"].within_formulation is None
    for code in ("FILM", "MAT"):
        assert losses[code].within_formulation == losses[code].against_reference


def test_a_family_is_adjusted_for_its_own_number_alone() -> None:
    losses = _of(_pooled(5, (Contrasted("MAT", ("FILM",)),)), "fixed_day")

    alone = losses["FILM"].within_formulation
    assert alone is not None
    among_all = next(c for c in losses["FILM"].comparisons if c.other == "MAT")
    t = alone.difference / alone.standard_error
    assert alone.p_adjusted == pytest.approx(2 * student_t.sf(abs(t), alone.df), rel=1e-9)
    assert alone.difference == pytest.approx(among_all.difference, rel=1e-12)
    assert alone.ci_high < among_all.ci_high


def test_chances_of_the_classes_add_up_and_counts_are_the_looks(
    records: list[PooledEstimate],
) -> None:
    modelled = 0
    for item in _of(records, "ordinal").values():
        assert sum(chance.count for chance in item.class_chances) == item.n_bags == 40
        if "scores_all_alike" in [warning.code for warning in item.warnings]:
            assert all(chance.probability is None for chance in item.class_chances)
            continue
        modelled += 1
        total = sum(chance.probability for chance in item.class_chances)
        assert total == pytest.approx(1.0, abs=1e-9)
    assert modelled >= 1


def test_one_site_is_described_and_not_pooled() -> None:
    records = _pooled(n_sites=1)

    for model, code in (("fixed_day", "single_site"), ("ordinal", "one_site")):
        for item in _of(records, model).values():
            assert item.estimate is None
            assert code in [warning.code for warning in item.warnings]
