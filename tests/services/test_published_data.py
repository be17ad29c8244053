"""A published data set, pooled by the whole service: files → upload → job → estimates over the API.

Pastes: Davies, O.L. & Goldsmith, P.L. (eds) (1972) Statistical Methods in Research and Production,
4th ed., Oliver & Boyd, section 6.5, as shipped with the R package lme4 (GPL >= 2). Ten batches,
three casks of each, two strength readings of each cask (50–66). Here a batch is a site, a cask a
pile, a reading a bag of 100 g of which that many grams are left on the primary day. The reference
is lme4's REML fit of strength ~ 1 + (1 | batch) + (1 | batch:cask), with pbkrtest's Kenward–Roger
degrees of freedom.
"""

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import t as t_distribution

from registry.permissions import Actor
from registry.services import pooling, registration
from tests.world import Call, World

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"
BURIED, PRIMARY_DAY, LIFTED = "2026-04-07", 28, "2026-05-05"
# Both optimise the same criterion; lme4 stops within 1e-6 of its optimum.
CLOSE = 1e-6


@pytest.fixture
def estimate(world: World, call: Call) -> dict[str, Any]:
    """The pooled loss on the day, after the batches' files have gone in."""
    rows = _rows()
    _register(world, sorted({row["batch"] for row in rows}))
    for kind, text in _files(rows).items():
        answer = call("POST", f"/{kind}/", text, as_="coordinator")
        assert answer.status_code == 201, answer.json()
    run = call("POST", "/trials/PASTES/pooling-runs/", as_="coordinator").json()
    assert pooling.execute_run(run["id"])
    found = call("GET", "/estimates/?trial=PASTES&model=fixed_day", as_="coordinator").json()
    (only,) = found["results"]
    return call("GET", f"/estimates/{only['id']}/", as_="coordinator").json()


def test_published_nested_data_give_the_published_variances_and_mean(
    estimate: dict[str, Any],
) -> None:
    reference = _reference()
    variances = {part["group"]: part["vcov"] for part in reference["varcomp"]}
    mean, se = reference["fixef"]["(Intercept)"], reference["kenward_roger"]["se"]["(Intercept)"]
    df = reference["kenward_roger"]["df"]["(Intercept)"]

    assert estimate["estimate"] == pytest.approx(100.0 - mean, rel=CLOSE)
    assert estimate["standard_error"] == pytest.approx(se, rel=CLOSE)
    assert estimate["df"] == pytest.approx(df, rel=CLOSE)
    # lme4's variances are good to 1e-4 relative at its default tolerance.
    assert estimate["tau2_site"] == pytest.approx(variances["batch"], rel=1e-4)
    assert estimate["tau2_pile"] == pytest.approx(variances["sample"], rel=1e-4)
    half = t_distribution.ppf(0.975, df) * se
    assert estimate["ci_high"] - estimate["ci_low"] == pytest.approx(2 * half, rel=CLOSE)
    assert (estimate["n_sites"], estimate["n_piles"], estimate["n_bags"]) == (10, 30, 60)


def test_site_predictions_are_the_published_ones(estimate: dict[str, Any]) -> None:
    reference = _reference()
    mean, blup = reference["fixef"]["(Intercept)"], reference["blup"]["batch"]
    expected = {
        f"BATCH-{level}": 100.0 - mean - effect
        for level, effect in zip(blup["levels"], blup["(Intercept)"], strict=True)
    }

    found = {part["site"]: part["shrunken_estimate"] for part in estimate["sites"]}

    # A prediction moves with the variances, which lme4 gives to 1e-4.
    assert found == pytest.approx(expected, abs=1e-3)


def _rows() -> list[dict[str, str]]:
    with (REFERENCE / "mixed_data" / "Pastes.csv").open() as file:
        return list(csv.DictReader(file))


def _reference() -> dict[str, Any]:
    return json.loads((REFERENCE / "mixed_public.json").read_text())["lmm.Pastes"]["REML"]


def _register(world: World, batches: list[str]) -> None:
    boss: Actor = world.boss
    for batch in batches:
        registration.register_site(
            by=boss,
            site=f"BATCH-{batch}",
            institution="INST",
            name=f"Batch {batch}",
            country="GB",
            time_zone="Europe/London",
        )
    trial, _ = registration.register_trial(
        by=boss,
        trial="PASTES",
        title="Strength of a paste product",
        schedule_days=[PRIMARY_DAY],
        primary_day=PRIMARY_DAY,
        sites=[f"BATCH-{batch}" for batch in batches],
        materials=["FILM-A"],
    )
    registration.move_trial(trial=trial, state="running", reason="published data", by=boss)


def _files(rows: list[dict[str, str]]) -> dict[str, str]:
    piles = dict.fromkeys(
        f"BATCH-{row['batch']},CASK-{row['cask'].upper()},PASTES,bin,{BURIED}" for row in rows
    )
    bags = [
        f"PASTES,BATCH-{row['batch']},CASK-{row['cask'].upper()},BAG-{n},FILM-A,{BURIED},100"
        for n, row in enumerate(rows)
    ]
    looks = [f"PASTES,BAG-{n},{LIFTED},recovered,{row['strength']}" for n, row in enumerate(rows)]
    return {
        "piles": "\n".join(["site,pile,trial,kind,started_on", *piles]),
        "bags": "\n".join(["trial,site,pile,bag_label,material,buried_on,initial_mass_g", *bags]),
        "retrievals": "\n".join(["trial,bag_label,retrieved_on,outcome,dry_mass_g", *looks]),
    }
