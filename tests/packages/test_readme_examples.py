"""The README's examples of using a release, run as they stand there."""

import json
import re
import shutil
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

import pytest

from registry.packages.archive import read_archive
from registry.packages.build import build_package
from registry.packages.derived import with_derived_columns
from registry.packages.looks import looks_of, pooling_settings
from registry.packages.recompute import recompute
from registry.science.pooling import pool_trial
from tests.packages.small_trial import META, small_trial

README = Path(__file__).parents[2] / "README.md"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with the release the examples read."""
    place = tmp_path_factory.mktemp("examples")
    tables = with_derived_columns(small_trial())
    primary_day, schedule = pooling_settings(tables)
    pooled = pool_trial(looks_of(tables), primary_day=primary_day, schedule_days=schedule)
    build_package(tables, [asdict(found) for found in pooled], META, place / "release.zip")
    return place


def example(language):
    section = README.read_text().split("## Use a release")[1].split("\n## ")[0]
    (code,) = re.findall(rf"```{language}\n(.*?)```", section, re.S)
    return code


def run(command, code, folder):
    (folder / "forest.svg").unlink(missing_ok=True)
    done = subprocess.run(command, input=code, cwd=folder, capture_output=True, text=True)
    if "there is no package called" in done.stderr:
        pytest.skip("the R package metafor is not installed")
    assert done.returncode == 0, done.stderr
    assert "<svg" in (folder / "forest.svg").read_text()
    return done.stdout


def stated_rate(folder):
    """The two-stage rate of the first material, per day."""
    estimates = json.loads(read_archive(folder / "release.zip")["estimates.json"])["estimates"]
    (found,) = [
        item
        for item in estimates
        if (item["material"], item["outcome"], item["model"], item["heat_class"])
        == ("COIR-POT", "decay_rate", "two_stage", "all")
    ]
    return found["estimate"]


def test_the_python_example_prints_the_rate_and_draws_the_forest(folder):
    said = run([sys.executable, "-"], example("python"), folder)

    # Another estimator of the spread between sites than ours, so near and not equal.
    assert float(said.split()[0]) == pytest.approx(stated_rate(folder), rel=1e-3)


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed")
def test_the_r_example_prints_the_rate_and_draws_the_forest(folder):
    said = run(["Rscript", "-"], example("r"), folder)

    assert float(said.split("\n")[2].split()[0]) == pytest.approx(stated_rate(folder), abs=5e-5)


def test_the_python_function_reports_as_the_command_does(folder):
    assert recompute(folder / "release.zip").ok


@pytest.mark.parametrize("language", ["python", "r"])
def test_an_example_is_about_ten_lines(language):
    assert 8 <= len([line for line in example(language).splitlines() if line.strip()]) <= 13
