"""The demo's pooled log rates, and what was planted to explain them, are found again."""

import json
import math
from pathlib import Path

import pandas as pd
import pytest
from scipy.stats import binom

from registry.science.explanation_fits import rows_of_materials
from registry.science.explanation_types import Explanation
from registry.science.explanations import explain_trial
from registry.science.formulation import Component, MaterialFacts
from registry.science.looks import code_looks
from registry.science.pooling import pool_trial
from registry.science.types import BagLooks, PooledEstimate
from registry.science.weighings import Weighings, columns_from_weighings
from registry.simulation.demo_materials import FILLER_SLOPE
from registry.simulation.scenario import demo_scenario
from registry.simulation.trial import simulate_trial
from registry.simulation.write import write_trial

SEEDS = (2025, 1, 2)
LEVEL = 0.95
# A right procedure falls below this count once in a thousand such tests.
RARE = 0.001
# Pooled rates of a trial, and the true log rate of each material.
Found = tuple[list[PooledEstimate], dict[str, float]]


@pytest.fixture(scope="module")
def trials(tmp_path_factory: pytest.TempPathFactory) -> list[Found]:
    """The rates of three demo trials, with the truth of each."""
    found = []
    for seed in SEEDS:
        folder = tmp_path_factory.mktemp("demo") / "trial"
        write_trial(simulate_trial(demo_scenario(), seed, with_heat=False), folder)
        truth = json.loads((folder / "truth.json").read_text())["materials"]
        pooled = pool_trial(_looks(folder), primary_day=84, schedule_days=range(14, 113, 14))
        mine = [e for e in pooled if e.outcome == "decay_rate" and e.heat_class == "all"]
        found.append((mine, {code: item["mu"] for code, item in truth.items()}))
    return found


@pytest.fixture(scope="module")
def rates(trials: list[Found]) -> list[tuple[PooledEstimate, float]]:
    """Every pooled rate with its true log rate."""
    return [(item, true_mu[item.material]) for mine, true_mu in trials for item in mine]


@pytest.mark.parametrize("model", ["one_stage", "two_stage"])
def test_intervals_of_the_demo_cover_the_true_rates(
    rates: list[tuple[PooledEstimate, float]], model: str
) -> None:
    mine = [(item, mu) for item, mu in rates if item.model == model and item.estimate is not None]

    covered = sum(item.ci_low <= math.exp(mu) <= item.ci_high for item, mu in mine)

    assert len(mine) == 13 * len(SEEDS)
    assert covered >= binom.ppf(RARE, len(mine), LEVEL)


def test_polyethylene_of_the_demo_gets_no_rate(
    rates: list[tuple[PooledEstimate, float | None]],
) -> None:
    inert = [item for item, mu in rates if mu is None]

    assert len(inert) == 2 * len(SEEDS)
    assert all(item.estimate is None and item.warnings for item in inert)


@pytest.mark.parametrize("trial", range(len(SEEDS)))
def test_the_planted_slope_of_the_filler_is_covered(trials: list[Found], trial: int) -> None:
    explained = _explained(trials[trial][0])

    filler = explained["filler_fraction", "aliphatic polyester A, tray: wood fibre"]
    assert filler.ci_low <= FILLER_SLOPE <= filler.ci_high
    assert (filler.n_materials, filler.n_sites, filler.df) == (4, 8, 2)


@pytest.mark.parametrize("trial", range(len(SEEDS)))
def test_the_planted_difference_of_the_coated_pair_is_covered(
    trials: list[Found], trial: int
) -> None:
    pooled, true_mu = trials[trial]

    coating = _explained(pooled)["coating", "SHEET-COATED / SHEET-PLAIN"]

    planted = true_mu["SHEET-COATED"] - true_mu["SHEET-PLAIN"]
    assert coating.ci_low <= planted <= coating.ci_high < 0.0


def test_two_levels_of_polyester_b_are_told_as_too_few(trials: list[Found]) -> None:
    explained = _explained(trials[0][0])

    clip = explained["filler_fraction", "aliphatic-aromatic polyester B, clip: hemp fibre"]
    assert (clip.code, clip.slope) == ("few_levels", None)


def _explained(pooled: list[PooledEstimate]) -> dict[tuple[str, str], Explanation]:
    facts = [
        MaterialFacts(
            m.code,
            m.form,
            m.role,
            m.thickness_um,
            m.coating,
            tuple(Component(*part) for part in m.composition),
        )
        for m in demo_scenario().materials
    ]
    found = explain_trial(rows_of_materials(pooled), (), facts, {})
    return {(item.kind, item.subject): item for item in found}


def _looks(folder: Path) -> BagLooks:
    """The written files, joined as the registry joins its tables."""
    bags = pd.concat(pd.read_csv(path) for path in sorted(folder.glob("*/bags.csv")))
    looks = pd.concat(pd.read_csv(path) for path in sorted(folder.glob("*/retrievals.csv")))
    materials = pd.read_csv(folder / "materials.csv")[["material", "role", "initial_ash_pct"]]
    rows = looks.merge(bags, on=["trial", "bag_label"]).merge(materials, on="material")
    days = pd.to_datetime(rows["retrieved_on"]) - pd.to_datetime(rows["buried_on"])
    rows = rows.assign(day=days.dt.days, excluded=False, purpose=rows["purpose"].fillna("sample"))
    names = [
        *("site", "pile", "material", "bag_label", "day", "outcome", "purpose"),
        *("initial_mass_g", "initial_moisture_pct", "dry_mass_g", "ash_pct"),
        *("contaminant_ash_pct", "initial_ash_pct", "fragmentation", "role", "excluded"),
    ]
    raw = Weighings.from_rows(rows[names].to_numpy().tolist(), detection_limit=0.02)
    return code_looks(columns_from_weighings(raw))
