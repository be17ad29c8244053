"""The table of explanations: from effect sizes, heat and make, as they stand in a package."""

import math

import numpy as np
import pandas as pd
import pytest

from registry.packages.explanations import explanations, facts_of
from registry.packages.files import from_csv, from_parquet, to_csv, to_parquet, typed
from registry.packages.result_tables import EXPLANATIONS
from registry.science.explanation_fits import answer
from registry.science.explanation_types import Question, Row

FILLER = {"F00": 0.0, "F15": 15.0, "F30": 30.0, "F45": 45.0}
SITES = tuple(f"S{i}" for i in range(6))


@pytest.fixture(scope="module")
def tables():
    rng = np.random.default_rng(11)
    rates = [
        {
            "level": "site",
            "material": material,
            "site": site,
            "pile": None,
            "measure": "log_decay_rate",
            "effect": -3.8 + 0.01 * filler + rng.normal(0, 0.2),
            "variance": 0.01,
        }
        for material, filler in FILLER.items()
        for site in SITES
    ]
    piles = [
        {"site": site, "pile": pile, "heat_class": "warm", "mean_c": float(rng.normal(50, 5))}
        for site in SITES
        for pile in ("P1", "P2")
    ]
    rates += [
        {
            "level": "pile",
            "material": "F00",
            "site": pile["site"],
            "pile": pile["pile"],
            "measure": "log_decay_rate",
            "effect": -3.5 + 0.03 * (pile["mean_c"] - 50) + rng.normal(0, 0.1),
            "variance": 0.01,
        }
        for pile in piles
    ]
    return {
        "effect_sizes": pd.DataFrame(rates),
        "piles": pd.DataFrame(piles).assign(hours_above_55=300.0),
        "materials": pd.DataFrame(
            {"material": list(FILLER), "form": "tray", "role": "test", "coating": None}
        ).assign(thickness_um=[650.0, np.nan, 700.0, 640.0]),
        "compositions": pd.DataFrame(
            [(code, "polyester", "polymer", 100.0 - x) for code, x in FILLER.items()]
            + [(code, "wood", "filler", x) for code, x in FILLER.items() if x],
            columns=["material", "component", "function", "mass_pct"],
        ),
    }


@pytest.fixture(scope="module")
def found(tables):
    return explanations(tables, tables["effect_sizes"])


def test_the_rates_of_the_package_answer_as_the_science_does(tables, found):
    effects = tables["effect_sizes"]
    rows = tuple(
        Row(r.material, r.site, None, r.effect, r.variance).at(FILLER[r.material])
        for r in effects[effects["level"] == "site"].itertuples()
    )

    theirs = found.set_index(["kind", "subject"]).loc["filler_fraction", "polyester, tray: wood"]

    mine = answer(Question("filler_fraction", "polyester, tray: wood", rows))
    assert theirs["code"] == "answered"
    assert theirs["slope"] == mine.slope
    assert theirs["ratio"] == pytest.approx(math.exp(10 * mine.slope))
    assert theirs["qe_df"] == 22


def test_heat_is_set_against_the_rates_of_piles(found):
    heat = found[found["material"] == "F00"].set_index("kind")

    assert heat.loc["mean_temperature", "code"] == "answered"
    assert heat.loc["mean_temperature", ["n_rows", "n_sites"]].tolist() == [12, 6]
    assert heat.loc["hours_above_55", "code"] == "moderator_constant"


def test_a_material_without_thickness_is_left_out_of_that_question(found):
    thickness = found.set_index("kind").loc["thickness"]

    assert (thickness["n_materials"], thickness["code"]) == (3, "few_materials")


def test_blank_coating_and_thickness_are_none(tables):
    facts = {item.code: item for item in facts_of(tables)}

    assert (facts["F15"].thickness_um, facts["F15"].coating) == (None, "")


def test_the_table_comes_back_from_both_files(found):
    rows = typed(EXPLANATIONS, found)

    assert from_csv(EXPLANATIONS, to_csv(EXPLANATIONS, rows)).equals(rows)
    assert from_parquet(EXPLANATIONS, to_parquet(rows)).equals(rows)
