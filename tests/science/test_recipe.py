"""Recipe arithmetic against outside numbers and by its own laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.science.drying import DRYING_C, IGNITION_C, drying_verdict, ignition_is_usual
from registry.science.recipe import (
    GoalCannotBeMet,
    Ingredient,
    carbon_from_cn,
    dry_matter_loss,
    mass_for_cn,
    mass_for_moisture,
    mix,
    organic_matter_loss,
    water_for_moisture,
)
from registry.science.start_ranges import (
    BULK_DENSITY_MAX_KG_M3,
    CN_RATIO,
    LB_PER_US_GALLON,
    MOISTURE,
    OXYGEN_MIN,
    PH,
    TEMPERATURE_C,
    carbon_is_suspect,
    moisture_band,
    standing,
)
from tests.science.check_values import expected, inputs, tolerance


def line(mass, moisture_pct, c_pct, n_pct):
    return Ingredient(mass, moisture_pct / 100, c_pct / 100, n_pct / 100)


def test_dry_matter_loss_by_ash_conservation():
    # CV-032: ash balance of compost papers (e.g. Paredes et al. 2000), formula from memory.
    given_ash, wanted = inputs("CV-032"), expected("CV-032")
    start, end = given_ash["ash_initial_pct"] / 100, given_ash["ash_final_pct"] / 100

    assert 100 * dry_matter_loss(start, end) == pytest.approx(wanted["dry_matter_loss_pct"])
    assert 100 * organic_matter_loss(start, end) == pytest.approx(
        wanted["organic_matter_loss_pct"], abs=tolerance("CV-032")
    )


def test_oven_and_furnace_temperatures_of_the_standard():
    # CV-034: AS 5810:2010 clauses 3.10, 3.11.
    wanted = expected("CV-034")

    assert list(DRYING_C) == wanted["dry_C"]
    assert wanted["ignition_C"] == IGNITION_C
    assert ignition_is_usual(wanted["ignition_C"] - wanted["ignition_tolerance_C"])
    assert not ignition_is_usual(wanted["ignition_C"] + wanted["ignition_tolerance_C"] + 1)
    assert drying_verdict(105) == "usual"
    assert drying_verdict(70) == "other"
    assert drying_verdict(40) == "gentle"
    assert drying_verdict(105, limit_c=55) == "too_hot"
    assert drying_verdict(None) == "unknown"


def test_leaves_for_a_moisture_goal():
    # CV-035: Cornell composting, moisture page (worked example with grass and leaves).
    given_mix = inputs("CV-035")
    base = [Ingredient(given_mix["Q1_kg"], given_mix["M1_pct"] / 100)]
    leaves = Ingredient(0.0, given_mix["M2_pct"] / 100)

    mass = mass_for_moisture(base, leaves, given_mix["goal_pct"] / 100)

    assert mass == pytest.approx(expected("CV-035")["Q2_kg"], abs=tolerance("CV-035"))


def test_cn_of_a_mix_by_mass():
    # CV-037: published worked example with hay, kitchen scraps and coffee grounds, as-is shares.
    given_mix, wanted = inputs("CV-037"), expected("CV-037")
    lines = [
        line(mass, 0, c, n)
        for mass, c, n in zip(
            given_mix["masses_lb"], given_mix["C_pct"], given_mix["N_pct"], strict=True
        )
    ]

    result = mix(lines)

    assert result.carbon_kg == pytest.approx(wanted["total_C"])
    assert result.nitrogen_kg == pytest.approx(wanted["total_N"])
    assert result.cn_ratio == pytest.approx(wanted["cn_published"], abs=tolerance("CV-037"))


def test_leaves_for_a_cn_goal_and_forward_again():
    # CV-038 and CV-039: Cornell's C/N method, arithmetic.
    g = inputs("CV-038")
    base = [line(g["Q1_kg"], g["M1"], g["C1"], g["N1"])]
    leaves = line(0.0, g["M2"], g["C2"], g["N2"])

    mass = mass_for_cn(base, leaves, g["R"])
    forward = mix([*base, line(3.5, g["M2"], g["C2"], g["N2"])])

    assert mass == pytest.approx(expected("CV-038")["Q2_kg"], abs=tolerance("CV-038"))
    assert forward.cn_ratio == pytest.approx(expected("CV-039")["cn"], abs=tolerance("CV-039"))
    assert 100 * forward.moisture == pytest.approx(
        expected("CV-039")["moisture_pct"], abs=tolerance("CV-039")
    )


def test_manure_and_straw_by_weight():
    # CV-041: inputs from the feedstock table of a compost mixture page; result own arithmetic.
    g, wanted = inputs("CV-041"), expected("CV-041")
    lines = [
        Ingredient(mass, moisture / 100, carbon_from_cn(n / 100, cn), n / 100)
        for mass, n, cn, moisture in zip(
            g["masses"], g["N_pct_dry"], g["CN"], g["moisture_pct"], strict=True
        )
    ]

    result = mix(lines)

    assert result.cn_ratio == pytest.approx(wanted["cn"], abs=tolerance("CV-041"))
    assert 100 * result.moisture == pytest.approx(wanted["moisture_pct"], abs=tolerance("CV-041"))


def test_carbon_and_bulk_density_of_typical_feedstocks():
    # CV-043: same feedstock table; %C = %N x C/N as on Cornell's C/N page.
    wanted = expected("CV-043")["C_pct_and_kg_m3"]

    for name, (n, cn, _, lb_per_gallon) in inputs("CV-043")["N_CN_moist_lbgal"].items():
        carbon_pct, kg_m3 = wanted[name]
        assert carbon_from_cn(n, cn) == pytest.approx(carbon_pct, abs=tolerance("CV-043"))
        assert lb_per_gallon * LB_PER_US_GALLON == pytest.approx(kg_m3, abs=tolerance("CV-043"))
    assert carbon_is_suspect(0.65)
    assert not carbon_is_suspect(0.57)


def test_a_ratio_is_never_the_average_of_ratios():
    # CV-044: a gardening page's equal-parts mean of C:N 20, 20, 60, which must not be used.
    cn = inputs("CV-044")["equal_parts_CN"]
    lines = [Ingredient(1.0, 0.5, 0.45, 0.45 / ratio) for ratio in cn]

    result = mix(lines).cn_ratio

    assert np.mean(cn) == pytest.approx(expected("CV-044")["naive_mean"], abs=1e-3)
    assert result == pytest.approx(3 / sum(1 / ratio for ratio in cn))
    assert abs(result - np.mean(cn)) > 5


def test_start_ranges_are_those_of_the_table():
    # CV-045: Cooperband's start-mix table, read in a secondary worksheet.
    wanted = expected("CV-045")

    assert list(CN_RATIO.acceptable) == wanted["cn_ok"]
    assert list(CN_RATIO.ideal) == wanted["cn_ideal"]
    assert [100 * x for x in MOISTURE.acceptable] == wanted["moisture_ok"]
    assert [100 * x for x in MOISTURE.ideal] == wanted["moisture_ideal"]
    assert list(TEMPERATURE_C.acceptable) == wanted["temp_C_ok"]
    assert list(TEMPERATURE_C.ideal) == wanted["temp_C_ideal"]
    assert list(PH.acceptable) == wanted["pH_ok"]
    assert wanted["oxygen_pct_min"] == 100 * OXYGEN_MIN
    assert pytest.approx(593.3, abs=0.05) == BULK_DENSITY_MAX_KG_M3


@pytest.mark.parametrize(
    ("cn", "verdict"),
    [
        (30, "ideal"),
        (25, "ideal"),
        (20, "acceptable"),
        (40, "acceptable"),
        (41, "high"),
        (9, "low"),
    ],
)
def test_a_start_mix_is_placed_in_its_range(cn, verdict):
    assert standing(cn, CN_RATIO).verdict == verdict


def test_an_unknown_start_mix_is_unknown_not_bad():
    assert standing(None, MOISTURE).verdict == "unknown"


def test_moisture_bands():
    # CV-047: Cornell, below 35–40 % slow, below 30 % virtually stops, 55–60 % upper limit.
    bands = [moisture_band(pct / 100) for pct in inputs("CV-047")["pct"]]

    assert bands == expected("CV-047")["band"]


def test_a_missing_value_leaves_only_what_needs_it_unknown():
    result = mix([Ingredient(10, 0.5, 0.4, 0.02), Ingredient(5, 0.2, None, 0.01)])

    assert result.moisture == pytest.approx(1 - (5 + 4) / 15)
    assert result.nitrogen_kg == pytest.approx(0.14)
    assert result.carbon_kg is None
    assert result.cn_ratio is None


def test_a_mix_without_nitrogen_has_no_ratio():
    assert mix([Ingredient(10, 0.5, 0.4, 0.0)]).cn_ratio is None


def test_a_goal_that_the_ingredient_moves_away_from_is_refused():
    wet = [Ingredient(10, 0.7, 0.45, 0.02)]

    with pytest.raises(GoalCannotBeMet, match="moisture"):
        mass_for_moisture(wet, Ingredient(0, 0.8), 0.6)
    with pytest.raises(GoalCannotBeMet, match="C:N"):
        mass_for_cn(wet, Ingredient(0, 0.1, 0.45, 0.04), 30)


@pytest.mark.parametrize("moisture", [-0.1, 1.2])
def test_dry_basis_moisture_is_refused(moisture):
    with pytest.raises(ValueError, match="never dry basis"):
        mix([Ingredient(10, moisture)])


def test_water_brings_a_dry_mix_to_its_goal_on_top_of_water_already_added():
    dry = [Ingredient(100, 0.30)]

    more = water_for_moisture(dry, 0.55, water_added_l=20)

    assert mix(dry, 20 + more).moisture == pytest.approx(0.55, abs=1e-12)


shares = st.floats(0.05, 0.9)
lines_of_a_mix = st.lists(
    st.builds(
        Ingredient,
        wet_mass_kg=st.floats(1, 1000),
        moisture=shares,
        carbon=st.floats(0.3, 0.5),
        nitrogen=st.floats(0.003, 0.05),
    ),
    min_size=1,
    max_size=5,
)


@given(lines_of_a_mix, st.floats(1e-3, 1e3))
def test_a_mix_does_not_depend_on_units_or_order_of_lines(lines, factor):
    scaled = [
        Ingredient(x.wet_mass_kg * factor, x.moisture, x.carbon, x.nitrogen) for x in lines[::-1]
    ]

    assert mix(scaled).cn_ratio == pytest.approx(mix(lines).cn_ratio, rel=1e-9)
    assert mix(scaled).moisture == pytest.approx(mix(lines).moisture, rel=1e-9)


@given(lines_of_a_mix, shares, st.floats(10, 100))
def test_a_solved_amount_meets_its_goal(lines, moisture, goal):
    added = Ingredient(0.0, moisture, 0.47, 0.008)
    try:
        mass = mass_for_cn(lines, added, goal)
    except GoalCannotBeMet:
        start = mix(lines).cn_ratio
        limit = added.carbon / added.nitrogen
        assert not min(start, limit) * (1 + 1e-9) < goal < max(start, limit) * (1 - 1e-9)
        return

    now = mix([*lines, Ingredient(mass, moisture, added.carbon, added.nitrogen)])
    assert now.cn_ratio == pytest.approx(goal, rel=1e-6)
