"""The demo's pooled log rates cover the true ones as often as a 95 % interval should."""

import json
import math
from pathlib import Path

import pandas as pd
import pytest
from scipy.stats import binom

from registry.science.looks import code_looks
from registry.science.pooling import pool_trial
from registry.science.types import BagLooks, PooledEstimate
from registry.science.weighings import Weighings, columns_from_weighings
from registry.simulation.scenario import demo_scenario
from registry.simulation.trial import simulate_trial
from registry.simulation.write import write_trial

SEEDS = (2025, 1, 2)
LEVEL = 0.95
# A right procedure falls below this count once in a thousand such tests.
RARE = 0.001


@pytest.fixture(scope="module")
def rates(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[PooledEstimate, float]]:
    """Every pooled rate of three demo trials, with its true log rate."""
    found = []
    for seed in SEEDS:
        folder = tmp_path_factory.mktemp("demo") / "trial"
        write_trial(simulate_trial(demo_scenario(), seed, with_heat=False), folder)
        truth = json.loads((folder / "truth.json").read_text())["materials"]
        true_mu = {code: item["mu"] for code, item in truth.items()}
        found += [
            (item, true_mu[item.material])
            for item in pool_trial(_looks(folder), primary_day=84, schedule_days=range(14, 113, 14))
            if item.outcome == "decay_rate" and item.heat_class == "all"
        ]
    return found


@pytest.mark.parametrize("model", ["one_stage", "two_stage"])
def test_intervals_of_the_demo_cover_the_true_rates(
    rates: list[tuple[PooledEstimate, float]], model: str
) -> None:
    mine = [(item, mu) for item, mu in rates if item.model == model and item.estimate is not None]

    covered = sum(item.ci_low <= math.exp(mu) <= item.ci_high for item, mu in mine)

    assert len(mine) == 11 * len(SEEDS)
    assert covered >= binom.ppf(RARE, len(mine), LEVEL)


def test_polyethylene_of_the_demo_gets_no_rate(
    rates: list[tuple[PooledEstimate, float | None]],
) -> None:
    inert = [item for item, mu in rates if mu is None]

    assert len(inert) == 2 * len(SEEDS)
    assert all(item.estimate is None and item.warnings for item in inert)


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
