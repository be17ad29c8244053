"""`effect_sizes.csv` pooled by other people's software, against the numbers of the package.

Site rows carry the sampling variance with the spread between piles in it, so at the stated τ² of
the piles a plain random-effects model of the sites has the same restricted likelihood as our
nested model of the piles. REML on the site rows must therefore give the stated mean and τ² again.

Independent software: statsmodels' meta-analysis and weighted least squares, always; the R package
metafor, live where Rscript and metafor are present, and always by its pinned results
(fixtures/reference/effect_sizes_metafor.R made them from effect_sizes_small_trial.csv, metafor
3.8-1).
"""

import io
import json
import math
import shutil
import subprocess
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from statsmodels.stats.meta_analysis import combine_effects

from registry.packages.archive import read_archive
from registry.packages.build import build_package
from registry.packages.derived import with_derived_columns
from registry.packages.looks import looks_of, pooling_settings
from registry.science.heterogeneity import pool_effects
from registry.science.pooling import pool_trial
from registry.science.two_stage import pool_piles
from tests.packages.small_trial import MATERIALS, META, small_trial

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"
PINNED_ROWS = REFERENCE / "effect_sizes_small_trial.csv"
PINNED_RESULTS = REFERENCE / "effect_sizes_small_trial_metafor.csv"
SCRIPT = REFERENCE / "effect_sizes_metafor.R"
OUTCOMES = {"log_decay_rate": "decay_rate", "log_days_to_90": "days_to_90"}
CASES = [(material, measure) for material in MATERIALS for measure in OUTCOMES]


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    path = tmp_path_factory.mktemp("release") / "p.zip"
    tables = with_derived_columns(small_trial())
    primary_day, schedule = pooling_settings(tables)
    pooled = pool_trial(looks_of(tables), primary_day=primary_day, schedule_days=schedule)
    build_package(tables, [asdict(found) for found in pooled], META, path)
    return read_archive(path)


@pytest.fixture(scope="module")
def effects(files):
    return pd.read_csv(io.BytesIO(files["effect_sizes.csv"]))


def stated(files, material, measure):
    (found,) = [
        item
        for item in json.loads(files["estimates.json"])["estimates"]
        if (item["material"], item["outcome"], item["model"], item["heat_class"])
        == (material, OUTCOMES[measure], "two_stage", "all")
    ]
    return found


def part(effects, level, material, measure):
    rows = effects[(effects["level"] == level) & (effects["measure"] == measure)]
    rows = rows[(rows["material"] == material) & rows["variance"].notna()]
    return rows["effect"].to_numpy(), rows["variance"].to_numpy(), rows["site"].to_numpy()


@pytest.mark.parametrize(("material", "measure"), CASES)
def test_dl_of_statsmodels_is_our_dl(effects, material, measure):
    effect, variance, _ = part(effects, "site", material, measure)

    theirs = combine_effects(effect, variance, method_re="chi2")
    ours = pool_effects(effect, variance, estimator="DL", test="z")

    assert ours.mu == pytest.approx(theirs.mean_effect_re, rel=1e-10)
    assert ours.standard_error == pytest.approx(theirs.sd_eff_w_re, rel=1e-9)
    assert ours.tau2 == pytest.approx(theirs.tau2, rel=1e-9)
    assert ours.q == pytest.approx(theirs.q, rel=1e-9)


@pytest.mark.parametrize(("material", "measure"), CASES)
def test_pm_of_statsmodels_is_our_pm(effects, material, measure):
    effect, variance, _ = part(effects, "site", material, measure)

    # Its iteration stops at a change of Q of 1e-8; tighter, it may fall to zero by rounding.
    theirs = combine_effects(effect, variance, method_re="iterated", atol=1e-8)
    ours = pool_effects(effect, variance, estimator="PM", test="z")

    assert theirs.tau2 > 0
    assert ours.mu == pytest.approx(theirs.mean_effect_re, rel=1e-8)
    assert ours.tau2 == pytest.approx(theirs.tau2, rel=1e-6)


@pytest.mark.parametrize("material", MATERIALS)
def test_the_stated_mean_is_least_squares_of_the_site_rows_at_the_stated_variance(
    files, effects, material
):
    effect, variance, _ = part(effects, "site", material, "log_decay_rate")
    found = stated(files, material, "log_decay_rate")

    weights = 1.0 / (variance + found["tau2_site"])
    theirs = sm.WLS(effect, np.ones_like(effect), weights=weights).fit()

    assert found["log_estimate"] == pytest.approx(theirs.params[0], rel=1e-10)
    assert math.exp(theirs.params[0]) == pytest.approx(found["estimate"], rel=1e-10)


@pytest.mark.parametrize("material", MATERIALS)
def test_reml_of_the_site_rows_gives_the_stated_spread_between_sites(files, effects, material):
    effect, variance, _ = part(effects, "site", material, "log_decay_rate")
    found = stated(files, material, "log_decay_rate")

    ours = pool_effects(effect, variance, estimator="REML", test="z")

    assert ours.mu == pytest.approx(found["log_estimate"], rel=1e-9)
    assert ours.tau2 == pytest.approx(found["tau2_site"], rel=1e-6)
    assert ours.q == pytest.approx(found["q"], rel=1e-9)
    # The stated error also carries what is not known of the lag, so it is never smaller.
    assert found["log_standard_error"] >= ours.standard_error * (1 - 1e-9)
    assert found["log_standard_error"] < 1.05 * ours.standard_error


@pytest.mark.parametrize("model", ["DL", "PM", "REML", "nested"])
def test_pinned_results_of_metafor_are_ours(model):
    effects = pd.read_csv(PINNED_ROWS)
    pinned = pd.read_csv(PINNED_RESULTS)
    pinned = pinned[pinned["model"] == model]

    assert len(pinned) == len(CASES)
    for row in pinned.itertuples():
        assert_like(row, found_by_us(effects, row.material, row.measure, model))


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed")
def test_metafor_on_the_package_of_today_gives_its_stated_numbers(files, effects, tmp_path):
    rows, found = tmp_path / "effect_sizes.csv", tmp_path / "found.csv"
    rows.write_bytes(files["effect_sizes.csv"])
    done = subprocess.run(["Rscript", SCRIPT, rows, found], capture_output=True, text=True)
    if "there is no package called" in done.stderr:
        pytest.skip("the R package metafor is not installed")
    assert done.returncode == 0, done.stderr

    theirs = pd.read_csv(found)
    for row in theirs.itertuples():
        assert_like(row, found_by_us(effects, row.material, row.measure, row.model))
    nested = theirs[(theirs["model"] == "nested") & (theirs["measure"] == "log_decay_rate")]
    for row in nested.itertuples():
        published = stated(files, row.material, row.measure)
        assert row.mu == pytest.approx(published["log_estimate"], rel=1e-6)
        assert row.tau2_site == pytest.approx(published["tau2_site"], rel=1e-5)
        assert row.tau2_pile == pytest.approx(published["tau2_pile"], rel=1e-5)


def found_by_us(effects, material, measure, model):
    if model != "nested":
        effect, variance, _ = part(effects, "site", material, measure)
        pooled = pool_effects(effect, variance, estimator=model, test="z")
        return pooled.mu, pooled.standard_error, pooled.tau2, None
    effect, variance, site = part(effects, "pile", material, measure)
    codes = np.unique(site, return_inverse=True)[1]
    pooled = pool_piles(effect, variance, np.ones_like(effect), codes)
    return pooled.mu, pooled.standard_error, pooled.tau2_site, pooled.tau2_pile


def assert_like(row, ours):
    """rma() solves to the last digits; rma.mv() stops where its optimiser finds it flat."""
    rel = 1e-6 if row.model == "nested" else 1e-10
    mu, error, tau2_site, tau2_pile = ours
    assert mu == pytest.approx(row.mu, rel=rel)
    assert error == pytest.approx(row.se, rel=rel)
    assert tau2_site == pytest.approx(row.tau2_site, rel=rel)
    if tau2_pile is not None:
        assert tau2_pile == pytest.approx(row.tau2_pile, rel=1e-5)
