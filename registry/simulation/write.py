"""Writes a simulated trial: a folder per site as its lab would send it, the truth beside it."""

import json
from pathlib import Path

import numpy as np
import pandas as pd

from registry.simulation import tables
from registry.simulation.looks import retrievals
from registry.simulation.trial import SimulatedTrial, true_parameters

FAHRENHEIT_FILE = "temperatures_fahrenheit.csv"


def write_trial(trial: SimulatedTrial, out: Path) -> list[Path]:
    """Write every file under `out` and return their paths, in the order they should be uploaded.

    `registration.json`, `materials.csv`, `compositions.csv`, then per site `piles`, `feedstocks`,
    `turnings`, `temperatures`, `bags`, `retrievals`. `truth.json` and `truth_bags.csv` are written
    last and belong to no upload.
    """
    out.mkdir(parents=True, exist_ok=True)
    written = [_json(out / "registration.json", tables.registration(trial))]
    written.append(_csv(out / "materials.csv", tables.materials(trial)))
    written.append(_csv(out / "compositions.csv", tables.compositions(trial)))
    bags = tables.bags(trial)
    looks = retrievals(trial)
    bags_by_site = dict(iter(bags.groupby("site", sort=False)))
    looks_by_site = dict(iter(looks.groupby("site", sort=False)))
    for s, site in enumerate(trial.scenario.sites):
        folder = out / site.code
        folder.mkdir(exist_ok=True)
        written.append(_csv(folder / "piles.csv", tables.piles(trial, s)))
        written.append(_csv(folder / "feedstocks.csv", tables.feedstocks(trial, s)))
        written += _unless_empty(folder / "turnings.csv", tables.turnings(trial, s))
        written += _unless_empty(folder / "temperatures.csv", tables.temperatures(trial, s))
        written += _unless_empty(
            folder / FAHRENHEIT_FILE, tables.temperatures(trial, s, fahrenheit=True)
        )
        written.append(_csv(folder / "bags.csv", bags_by_site[site.code]))
        written.append(
            _csv(folder / "retrievals.csv", looks_by_site[site.code].drop(columns="site"))
        )
    _json(out / "truth.json", true_parameters(trial))
    _csv(out / "truth_bags.csv", _truth_of_bags(trial))
    return written


def _truth_of_bags(trial: SimulatedTrial) -> pd.DataFrame:
    bags = trial.bags
    return pd.DataFrame(
        {
            "bag_label": bags.label,
            "day": bags.day,
            "true_fraction": np.round(bags.true_fraction, 8),
            "observed_fraction": np.round(bags.observed_fraction, 8),
        }
    ).sort_values("bag_label", ignore_index=True)


def _unless_empty(path: Path, frame: pd.DataFrame) -> list[Path]:
    """A lab with nothing to send sends no file."""
    return [_csv(path, frame)] if len(frame) else []


def _csv(path: Path, frame: pd.DataFrame) -> Path:
    frame.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")
    return path


def _json(path: Path, value: object) -> Path:
    path.write_text(json.dumps(value, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    return path
