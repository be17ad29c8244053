"""Exploratory questions: planted slopes found, and every refusal by its name."""

import math
from dataclasses import replace

import numpy as np
import pytest

from registry.science.explanation_fits import answer, rows_of_materials
from registry.science.explanation_types import Question, Row, line
from registry.science.explanations import Warmth, explain_trial
from registry.science.formulation import Component, MaterialFacts
from registry.science.pile_rates import PileRate
from registry.science.types import PooledEstimate, SiteEstimate

FILLER = {"F00": 0.0, "F15": 15.0, "F30": 30.0, "F45": 45.0}
SLOPE = 0.012


def simulated(seed, levels=FILLER, sites=8, slope=SLOPE, tau_material=0.0):
    """Rows of a family with a known slope: site, material and row random."""
    rng = np.random.default_rng(seed)
    of_site = rng.normal(0, 0.3, sites)
    rows = []
    for code, x in levels.items():
        of_material = rng.normal(0, tau_material)
        for site in range(sites):
            v = float(rng.uniform(0.002, 0.02))
            own = rng.normal(0, 0.15) + rng.normal(0, math.sqrt(v))
            y = -3.8 + slope * x + of_site[site] + of_material + own
            rows.append(Row(code, f"S{site}", None, float(y), v).at(x))
    return tuple(rows)


def filler(rows):
    return answer(Question("filler_fraction", "polyester, tray: wood", rows))


def thickness(rows, of_material):
    beside = tuple(row.at(of_material[row.material], beside=(row.x,)) for row in rows)
    return answer(Question("thickness", "polyester, tray: wood", beside))


def heat(rows):
    return answer(Question("mean_temperature", "F00", rows, material="F00"))


def piles(seed, sites=6, slope=0.03):
    """One material in two piles a site, warmer ones faster."""
    rng = np.random.default_rng(seed)
    rows = []
    for site in range(sites):
        of_site = rng.normal(0, 0.2)
        for pile in range(2):
            x = float(rng.normal(50, 6))
            y = -3.5 + slope * (x - 50) + of_site + rng.normal(0, 0.12)
            rows.append(Row("F00", f"S{site}", f"P{pile}", float(y), 0.005).at(x))
    return tuple(rows)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_interval_covers_a_planted_slope(seed):
    found = filler(simulated(seed, tau_material=0.05))

    assert found.answered
    assert found.ci_low < SLOPE < found.ci_high
    assert found.ratio == pytest.approx(math.exp(10 * found.slope))
    assert (found.df, found.n_sites, found.n_materials, found.n_rows) == (2, 8, 4, 32)


def test_four_levels_say_that_the_interval_is_wide_for_a_reason():
    assert "degrees of freedom" in filler(simulated(1)).message


def test_two_levels_are_a_difference_and_no_line():
    rows = simulated(4, {"F00": 0.0, "F30": 30.0})

    found = filler(rows)

    assert (found.code, found.slope, found.r2_pct) == ("few_levels", None, None)
    assert len(found.points) == len(rows)


@pytest.mark.parametrize("sites", [1, 2])
def test_two_sites_are_too_few(sites):
    found = filler(simulated(5, sites=sites))

    assert (found.code, found.slope) == ("few_sites", None)


def test_nothing_to_fit_is_told_as_such():
    assert filler(()).code == "no_rates"


def test_thickness_allows_for_filler():
    thick = {"F00": 650.0, "F15": 900.0, "F30": 640.0, "F45": 780.0}

    found = thickness(simulated(6), thick)

    # The truth has no part of thickness in it; one degree of freedom is left.
    assert found.answered
    assert found.df == 1
    assert found.ci_low < 0.0 < found.ci_high


def test_thickness_that_moves_with_filler_is_refused():
    thick = {"F00": 600.0, "F15": 650.0, "F30": 702.0, "F45": 760.0}

    assert thickness(simulated(6), thick).code == "confounded"


def test_three_materials_cannot_tell_thickness_from_filler():
    levels = {"F00": 0.0, "F15": 15.0, "F30": 30.0}

    found = thickness(simulated(6, levels), {"F00": 650.0, "F15": 900.0, "F30": 640.0})

    assert found.code == "few_materials"


def test_thickness_alike_everywhere_is_refused():
    found = thickness(simulated(6), dict.fromkeys(FILLER, 700.0))

    assert found.code == "moderator_constant"


def test_one_pair_is_told_on_the_sites_that_had_both():
    rows = simulated(7, {"BARE": 0.0, "COATED": 1.0}, slope=-0.8)
    question = Question("coating", "COATED / BARE", rows[:-1], material="COATED", other="BARE")

    found = answer(question)

    assert found.df == 6
    assert found.ci_low < -0.8 < found.ci_high < 0.0
    assert "One pair" in found.message
    assert found.tau2_material is None


def test_a_pair_that_hardly_met_is_refused():
    rows = list(simulated(7, {"BARE": 0.0, "COATED": 1.0}))
    apart = tuple(r for r in rows if (r.x == 0.0) == (r.site in {"S0", "S1", "S2", "S3"}))

    found = answer(Question("coating", "COATED / BARE", apart, material="COATED", other="BARE"))

    assert found.code == "few_sites"


def test_heat_is_judged_by_sites_not_by_piles():
    found = heat(piles(8))

    assert found.df == 4
    assert found.ci_low < 0.03 < found.ci_high


def test_piles_equally_warm_cannot_tell():
    found = heat(tuple(row.at(51.0 + 0.1 * i) for i, row in enumerate(piles(8)[:9])))

    assert found.code == "moderator_constant"


def test_the_line_passes_through_the_fit_and_widens_outwards():
    found = filler(simulated(2))
    errors = (found.intercept_standard_error, found.standard_error)
    x = np.array([0.0, 22.5, 45.0])

    fitted, low, high = line(found.intercept, found.slope, errors, found.covariance, found.df, x)

    assert fitted == pytest.approx(found.intercept + found.slope * x)
    width = high - low
    assert width[1] < width[0]
    assert width[1] < width[2]


def test_units_of_a_line_do_not_move_it():
    rows = simulated(2)
    found, shifted = filler(rows), filler(tuple(replace(r, log_rate=r.log_rate + 1) for r in rows))

    assert shifted.slope == pytest.approx(found.slope, rel=1e-7)
    assert shifted.intercept == pytest.approx(found.intercept + 1, rel=1e-7)


def estimate(material, rows):
    sites = tuple(
        SiteEstimate(
            r.site, math.exp(r.log_rate), r.log_rate, math.sqrt(r.variance), *[None] * 4, 1, 3
        )
        for r in rows
    )
    numbers = dict.fromkeys(
        ("estimate", "ci_low", "ci_high", "pi_low", "pi_high", "log_estimate")
        + ("log_standard_error", "tau2_site", "tau2_pile", "i2_pct", "q", "q_df", "q_p", "day")
    )
    counts = dict.fromkeys(
        ("n_sites", "n_piles", "n_bags", "n_excluded", "n_lost", "n_nothing_left"), 1
    )
    return PooledEstimate(
        **numbers,
        **counts,
        trial="T",
        material=material,
        outcome="decay_rate",
        model="two_stage",
        heat_class="all",
        time_scale="days",
        level=0.95,
        unit="1/d",
        method="",
        model_version="",
        sites=sites,
    )


def test_a_trial_asks_every_question_its_materials_raise():
    rows = simulated(9)
    facts = [
        MaterialFacts(
            code,
            "tray",
            "test",
            600.0 + 10 * i,
            "",
            (
                Component("polyester", "polymer", 100.0 - x),
                *((Component("wood", "filler", x),) if x else ()),
            ),
        )
        for i, (code, x) in enumerate(FILLER.items())
    ]
    control = MaterialFacts("PE", "film", "negative_control", 60.0, "", ())
    rates = [PileRate("F00", r.site, r.pile, r.log_rate, r.variance, 3.0, 9) for r in piles(8)]
    warmth = {(r.site, r.pile): Warmth(r.x, 10 * r.x) for r in piles(8)}
    pooled = [estimate(code, [r for r in rows if r.material == code]) for code in FILLER]

    found = explain_trial(rows_of_materials(pooled), rates, [*facts, control], warmth)

    told = {(e.kind, e.subject): e.code for e in found}
    assert told["filler_fraction", "polyester, tray: wood"] == "answered"
    assert told["thickness", "polyester, tray: wood"] == "confounded"
    assert told["mean_temperature", "F00"] == told["hours_above_55", "F00"] == "answered"
    assert told["mean_temperature", "F45"] == "no_rates"
    assert not any(subject == "PE" for _, subject in told)
    assert len(told) == len(found) == 2 + 2 * 4
