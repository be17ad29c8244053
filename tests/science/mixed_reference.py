"""Reference models for the linear mixed model: public data and simulated trials, with R's results.

Sources and licences are in fixtures/reference/mixed_data/README.md; the simulated trials and their
results are made by fixtures/reference/mixed_trials.R.
"""

import csv
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from registry.science.mixed.design import (
    Columns,
    bind,
    covariate,
    factor,
    interaction,
    intercept,
)
from registry.science.mixed.general import MixedFit, fit_mixed
from registry.science.mixed.nested import RandomTerm

FIXTURES = Path(__file__).parents[2] / "fixtures" / "reference"
PUBLIC = json.loads((FIXTURES / "mixed_public.json").read_text())
TRIALS = json.loads((FIXTURES / "mixed_trials.json").read_text())

VARIETIES = ("Golden Rain", "Marvellous", "Victory")
NITROGEN = ("0", "0.2", "0.4", "0.6")


@dataclass(frozen=True)
class Model:
    y: np.ndarray
    x: Columns
    terms: tuple[RandomTerm, ...]

    def fit(self, method: str) -> MixedFit:
        return fit_mixed(self.y, self.x.values, self.x.names, self.terms, method)


def read_columns(path: Path) -> dict[str, list[str]]:
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {name: [row[name] for row in rows] for name in rows[0]}


def group(name: str, *labels: list[str], slope: np.ndarray | None = None) -> RandomTerm:
    joined = [":".join(parts) for parts in zip(*labels, strict=True)]
    levels = sorted(set(joined))
    place = {level: i for i, level in enumerate(levels)}
    return RandomTerm(name, np.array([place[j] for j in joined]), tuple(levels), slope)


@cache
def public_model(name: str) -> Model:
    data = read_columns(FIXTURES / "mixed_data" / f"{PUBLIC[name]['dataset']}.csv")
    n = len(next(iter(data.values())))
    if "Dyestuff" in name:
        y, x, terms = data["Yield"], intercept(n), [group("Batch", data["Batch"])]
    elif "Pastes" in name:
        terms = [group("sample", data["sample"])]
        if name == "lmm.Pastes":
            terms = [group("batch", data["batch"]), *terms]
        y, x = data["strength"], intercept(n)
    elif "sleepstudy" in name:
        days = np.array(data["Days"], dtype=float)
        terms = [group("Subject", data["Subject"])]
        if name.endswith("slope_uncorr"):
            terms.append(group("Subject.1", data["Subject"], slope=days))
        y, x = data["Reaction"], bind(intercept(n), covariate("Days", days))
    else:
        y, x = data["yield"], _oats_design(name, data)
        terms = [
            group("Block", data["Block"]),
            group("Block:Variety", data["Block"], data["Variety"]),
        ]
    return Model(np.array(y, dtype=float), x, tuple(terms))


def _oats_design(name: str, data: dict[str, list[str]]) -> Columns:
    one = intercept(len(data["yield"]))
    if name.endswith("nitro_numeric"):
        return bind(one, covariate("nitro", np.array(data["nitro"], dtype=float)))
    variety = factor("Variety", data["Variety"], VARIETIES)
    nitrogen = factor("nitroF", data["nitroF"], NITROGEN)
    if name.endswith("splitplot_factor"):
        return bind(one, variety, nitrogen, interaction(variety, nitrogen))
    return bind(one, variety, nitrogen)


@cache
def trial_columns(name: str) -> dict[str, list[str]]:
    return read_columns(FIXTURES / f"mixed_trial_{name}.csv")


def trial_terms(data: dict[str, list[str]]) -> tuple[RandomTerm, ...]:
    """The four terms of a trial, for the general route."""
    site, pile, material = data["site"], data["pile"], data["material"]
    return (
        group("site", site),
        group("site × material", site, material),
        group("pile", site, pile),
        group("pile × material", site, pile, material),
    )


def by_name(values: dict[str, float], names: tuple[str, ...]) -> np.ndarray:
    return np.array([values[name] for name in names])
