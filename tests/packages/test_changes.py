"""A second release against the first: rows, corrections, exclusions, and estimates that moved."""

import json
import zipfile
from dataclasses import replace

import pytest

from registry.packages.build import build_package
from registry.packages.errors import PackageFault
from tests.packages.small_trial import META, small_trial

SECOND = replace(META, version=2, previous_version=1, notes="One balance read again.")


def estimate(value: float, error: float = 0.1) -> dict:
    return {
        **{"material": "COIR-POT", "outcome": "decay_rate", "model": "two_stage", "day": None},
        **{"heat_class": "all", "time_scale": "days", "unit": "1/d", "warnings": [], "sites": []},
        **{"estimate": value, "ci_low": None, "ci_high": None, "pi_low": None, "pi_high": None},
        **{"log_standard_error": error, "n_sites": 3, "n_bags": 70, "method": "REML"},
    }


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    path = tmp_path_factory.mktemp("first") / "v1.zip"
    build_package(small_trial(), [estimate(0.012)], META, path)
    return path


def second(first, folder, change, estimates):
    tables = small_trial()
    change(tables)
    build_package(tables, estimates, SECOND, folder / "v2.zip", first)
    with zipfile.ZipFile(folder / "v2.zip") as package:
        return json.loads(package.read("changes.json")), package.read("CHANGES.md").decode()


def test_a_first_release_has_nothing_to_be_compared_with(first):
    with zipfile.ZipFile(first) as package:
        changes = json.loads(package.read("changes.json"))

    assert changes == {"version": 1, "previous_version": None}


def test_the_same_data_again_change_nothing(first, tmp_path):
    changes, words = second(first, tmp_path, lambda tables: None, [estimate(0.012)])

    nothing = {"added": 0, "removed": 0, "changed": 0}
    assert all(count == nothing for count in changes["tables"].values())
    assert changes["looks"] == {"corrected": [], "newly_excluded": [], "taken_back_in": []}
    assert changes["estimates"] == {"added": [], "removed": [], "moved": [], "unmoved": 1}
    assert "One balance read again." in words


def test_a_corrected_look_is_told_with_its_value_before_and_after(first, tmp_path):
    looks = small_trial()["retrievals"]

    def correct(tables):
        tables["retrievals"].loc[5, "dry_mass_g"] = 3.3

    changes, words = second(first, tmp_path, correct, [estimate(0.012)])

    assert changes["tables"]["retrievals"] == {"added": 0, "removed": 0, "changed": 1}
    assert changes["looks"]["corrected"] == [
        {
            "trial": "POTS-2026",
            "bag_label": looks["bag_label"][5],
            "retrieved_on": looks["retrieved_on"][5].isoformat(),
            "field": "dry_mass_g",
            "before": looks["dry_mass_g"][5],
            "after": 3.3,
        }
    ]
    assert f"{looks['bag_label'][5]} on " in words


def test_added_and_removed_rows_are_counted(first, tmp_path):
    def change(tables):
        tables["retrievals"] = tables["retrievals"].drop(index=[10, 11])
        later = tables["turnings"].assign(
            turned_at=tables["turnings"]["turned_at"].iloc[0].replace(day=28)
        )
        tables["turnings"] = later

    changes, _ = second(first, tmp_path, change, [])

    assert changes["tables"]["retrievals"] == {"added": 0, "removed": 2, "changed": 0}
    assert changes["tables"]["turnings"] == {"added": 1, "removed": 1, "changed": 0}
    assert [item["material"] for item in changes["estimates"]["removed"]] == ["COIR-POT"]


def test_an_exclusion_and_one_taken_back_are_told_with_the_reason(first, tmp_path):
    label = small_trial()["retrievals"]["bag_label"]

    def decide(tables):
        flags = tables["flags"]
        flags.loc[0, ["decision", "reason"]] = ["accept", "weighed again, right"]
        flags.loc[1, ["bag_label", "retrieved_on"]] = list(
            tables["retrievals"].loc[9, ["bag_label", "retrieved_on"]]
        )
        flags.loc[1, ["decision", "reason"]] = ["exclude", "the bag was torn"]

    changes, _ = second(first, tmp_path, decide, [estimate(0.012)])

    (out,) = changes["looks"]["newly_excluded"]
    (back,) = changes["looks"]["taken_back_in"]
    assert (out["bag_label"], out["reason"]) == (label[9], "other_bag: the bag was torn")
    assert back["bag_label"] == small_trial()["flags"]["bag_label"][0]


def test_an_estimate_that_moved_is_told_by_how_much(first, tmp_path):
    changes, words = second(first, tmp_path, lambda tables: None, [estimate(0.0132)])

    (moved,) = changes["estimates"]["moved"]
    assert (moved["before"]["estimate"], moved["after"]["estimate"]) == (0.012, 0.0132)
    assert moved["change_pct"] == pytest.approx(10.0)
    # ln 1.1 = 0.0953…, over a standard error of 0.1.
    assert moved["change_in_standard_errors"] == pytest.approx(0.953101798)
    assert "+10 %" in words


def test_an_estimate_that_could_not_be_made_before_has_no_percentage(first, tmp_path):
    none = estimate(0.012) | {"estimate": None, "log_standard_error": None}

    changes, words = second(first, tmp_path, lambda tables: None, [none])

    (moved,) = changes["estimates"]["moved"]
    assert moved["after"]["estimate"] is None
    assert moved["change_pct"] is moved["change_in_standard_errors"] is None
    assert "not estimable" in words


def test_a_package_before_that_cannot_be_read_is_a_fault_and_nothing_is_written(tmp_path):
    broken = tmp_path / "v1.zip"
    broken.write_bytes(b"PK no zip")

    with pytest.raises(PackageFault):
        build_package(small_trial(), [], SECOND, tmp_path / "v2.zip", broken)

    assert not (tmp_path / "v2.zip").exists()
