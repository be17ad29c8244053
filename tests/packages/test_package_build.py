"""A whole package from a small trial: valid for an outside validator, and the same bytes twice."""

import json
import subprocess
import zipfile
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frictionless import Package
from scipy.stats import sem

from registry.packages.build import build_package, complete_tables
from registry.packages.errors import PackageFault
from registry.packages.tables import TABLES
from registry.packages.words import methods_md
from tests.packages.small_trial import (
    DAMAGED,
    EXCLUDED,
    LOOKED_AT,
    LOST,
    META,
    NOTHING_LEFT,
    small_trial,
)


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("package")
    build_package(small_trial(), [], META, folder / "p.zip")
    with zipfile.ZipFile(folder / "p.zip") as archive:
        archive.extractall(folder / "p")
    return folder / "p"


def test_an_outside_validator_finds_no_error(unpacked):
    report = Package(unpacked / "datapackage.json").validate()

    assert report.flatten(["title", "message"]) == []
    assert report.stats["tasks"] >= 2 * len(TABLES)


def test_the_validator_would_find_a_broken_key_and_a_value_out_of_range(unpacked, tmp_path):
    copy = tmp_path / "broken"
    subprocess.run(["cp", "-r", unpacked, copy], check=True)
    bags = copy / "data" / "bags.csv"
    bags.write_text(bags.read_text().replace("COIR-POT", "NO-SUCH", 1).replace(",6.5,", ",88,", 1))

    report = Package(copy / "datapackage.json").validate()

    found = {kind for (kind,) in report.flatten(["type"])}
    assert {"foreign-key", "constraint-error"} <= found


def test_building_twice_gives_the_same_bytes(tmp_path):
    first = build_package(small_trial(), [], META, tmp_path / "a.zip")
    shuffled = {name: frame.sample(frac=1, random_state=3) for name, frame in small_trial().items()}
    second = build_package(shuffled, [], META, tmp_path / "b.zip")

    assert first == second
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_another_version_gives_other_bytes(tmp_path):
    first = build_package(small_trial(), [], META, tmp_path / "a.zip")
    second = build_package(small_trial(), [], replace(META, version=2), tmp_path / "b.zip")

    assert first != second


def test_the_checksums_inside_hold_for_sha256sum(unpacked):
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"], cwd=unpacked
    )

    assert done.returncode == 0


def test_every_table_is_there_as_csv_and_parquet_with_the_same_rows(unpacked):
    for table in TABLES:
        name = table.name
        place = unpacked if name == "effect_sizes" else unpacked / "data"
        csv = pd.read_csv(place / f"{name}.csv")
        parquet = pd.read_parquet(unpacked / "data" / f"{name}.parquet")

        assert list(csv.columns) == list(parquet.columns) == list(table.column_names)
        assert len(csv) == len(parquet)


def test_remaining_is_dry_residue_over_oven_dry_start(unpacked):
    looks = pd.read_csv(unpacked / "data" / "retrievals.csv").merge(
        pd.read_csv(unpacked / "data" / "bags.csv"), on=["trial", "bag_label"]
    )
    weighed = looks[looks["outcome"] == "recovered"]

    by_hand = weighed["dry_mass_g"] / (weighed["initial_mass_g"] * (1 - 0.065))

    np.testing.assert_allclose(weighed["remaining_uncorrected"], by_hand, rtol=1e-12)
    np.testing.assert_array_equal(weighed["remaining"], weighed["remaining_uncorrected"])


def test_lost_damaged_and_unweighed_are_blank_with_a_reason_and_gone_is_zero():
    raw = small_trial()
    looks = complete_tables(raw, [])["retrievals"].set_index("bag_label")
    label = raw["retrievals"]["bag_label"]

    reasons = {row: looks.loc[label[row], "missing_reason"] for row in (LOST, DAMAGED, LOOKED_AT)}

    assert reasons == {LOST: "bag_lost", DAMAGED: "bag_damaged", LOOKED_AT: "not_weighed"}
    assert looks.loc[[label[row] for row in reasons], "remaining"].isna().all()
    assert looks.loc[label[NOTHING_LEFT], "remaining"] == 0.0
    assert pd.isna(looks.loc[label[NOTHING_LEFT], "missing_reason"])


def test_an_excluded_look_stays_in_marked_with_its_reason_and_out_of_the_effect_sizes():
    raw = small_trial()
    tables = complete_tables(raw, [])
    looks = tables["retrievals"].set_index("bag_label")
    label = raw["retrievals"]["bag_label"][EXCLUDED]
    effects = tables["effect_sizes"]

    pile = effects[
        (effects["level"] == "pile")
        & (effects["site"] == "EAST")
        & (effects["pile"] == "P1")
        & (effects["material"] == "COIR-POT")
        & (effects["day"] == 28)
    ]

    assert bool(looks.loc[label, "excluded"]) is True
    assert looks.loc[label, "flags"] == "above_105_pct other_bag"
    assert looks.loc[label, "exclusion_reason"] == "above_105_pct: soil on the residue"
    assert looks["excluded"].sum() == 1
    # Of three bags one is excluded and one was only looked at.
    assert pile["n_bags"].tolist() == [1]


def test_percent_lost_has_the_mean_spread_and_variance_of_its_bags():
    tables = complete_tables(small_trial(), [])
    effects, looks = tables["effect_sizes"], tables["retrievals"]
    mine = looks[
        (looks["site"] == "WEST") & (looks["material"] == "WOOL-MAT") & (looks["day"] == 56)
    ]
    lost = 100 * (1 - mine["remaining"].astype(float))

    row = effects[
        (effects["level"] == "site")
        & (effects["site"] == "WEST")
        & (effects["material"] == "WOOL-MAT")
        & (effects["day"] == 56)
    ].iloc[0]

    assert row["n_bags"] == len(lost) == 6
    assert row["n_piles"] == 2
    assert row["effect"] == pytest.approx(lost.mean(), rel=1e-12)
    assert row["sd"] == pytest.approx(lost.std(), rel=1e-12)
    assert row["variance"] == pytest.approx(sem(lost) ** 2, rel=1e-12)


def test_pile_rates_are_near_the_rates_the_looks_were_drawn_from():
    effects = complete_tables(small_trial(), [])["effect_sizes"]
    rates = effects[(effects["level"] == "pile") & (effects["measure"] == "log_decay_rate")]

    assert len(rates) == 12
    truth = np.where(rates["material"] == "COIR-POT", np.log(0.012), np.log(0.03))
    truth = truth + 0.25 * (rates["site"].map({"EAST": -1, "NORTH": 0, "WEST": 1}))
    truth = truth + rates["pile"].map({"P1": -0.05, "P2": 0.05})
    # Drawn without a lag; the fit may find a short one, which moves all rates of a material alike.
    z = (rates["effect"] - truth) / np.sqrt(rates["variance"].astype(float))
    assert z.abs().max() < 4.5


def test_pile_heat_and_recipe_follow_from_the_tables():
    piles = complete_tables(small_trial(), [])["piles"].set_index(["site", "pile"])
    logged = piles.loc[("EAST", "P1")]

    assert logged["highest_c"] == pytest.approx(61.3)
    assert logged["logged_h"] == pytest.approx(29.0)
    assert logged["mean_c"] == pytest.approx((20.0 + 61.3) / 2)
    assert logged["heat_class"] == "unknown"
    assert pd.isna(piles.loc[("WEST", "P2"), "heat_class"])


def test_what_the_controls_say_stands_at_every_pile():
    raw = small_trial()
    # The wool becomes the control that should stay: what is left of it is no sign of handling.
    raw["materials"]["role"] = ["positive_control", "negative_control"]
    looks = complete_tables(raw, [])["retrievals"]
    stays = looks[(looks["site"] == "WEST") & (looks["pile"] == "P2")]
    stays = stays[stays["material"] == "WOOL-MAT"]["remaining"].astype(float)

    piles = complete_tables(raw, [])["piles"].set_index(["site", "pile"])

    west = piles.loc[("WEST", "P2")]
    assert west["negative_control"] == "handling_loss"
    assert west["negative_control_remaining"] == pytest.approx(stays.mean(), rel=1e-12)
    # 0.012 a day leaves a third on day 84 at the middle site: less than 70 % was lost.
    assert piles.loc[("NORTH", "P1"), "positive_control"] == "inactive"
    assert piles.loc[("NORTH", "P1"), "positive_control_remaining"] > 0.3


def test_a_pile_without_controls_was_not_checked():
    piles = complete_tables(small_trial(), [])["piles"]

    assert set(piles["negative_control"]) == set(piles["positive_control"]) == {"not_checked"}
    assert piles["negative_control_remaining"].isna().all()


def test_words_of_a_column_are_explained_to_programs(unpacked):
    described = json.loads((unpacked / "datapackage.json").read_text())
    fields = {
        (resource["name"], item["name"]): item
        for resource in described["resources"]
        for item in resource.get("schema", {"fields": []})["fields"]
    }

    labels = {
        item["value"]: item["label"]
        for item in fields["retrievals", "missing_reason"]["categories"]
    }
    assert set(labels) == {"bag_lost", "bag_damaged", "not_weighed"}
    assert "never zero" in labels["bag_lost"]
    gates = fields["piles", "positive_control"]
    assert [item["value"] for item in gates["categories"]] == gates["constraints"]["enum"]


def test_methods_tell_a_warning_once_for_a_material():
    said = {"code": "few_sites", "message": "Only three sites."}
    common = {"material": "WOOL-MAT", "outcome": "decay_rate", "warnings": [said], "day": None}
    numbers = dict.fromkeys(("estimate", "ci_low", "ci_high", "pi_low", "pi_high"))
    rest = {"method": "as run", "unit": "1/d", "n_sites": 3, "n_bags": 9, **numbers}
    estimates = [
        common | rest | {"model": model, "heat_class": heat}
        for model in ("one_stage", "two_stage")
        for heat in ("all", "hot")
    ]

    methods = methods_md(META, complete_tables(small_trial(), []), estimates)

    assert methods.count("Only three sites.") == 1
    assert "- WOOL-MAT (all, hot piles): Only three sites. (`few_sites`)" in methods


def test_methods_and_readme_say_what_is_in_the_package(unpacked):
    methods = (unpacked / "METHODS.md").read_text()
    readme = (unpacked / "README.md").read_text()

    assert "do not show biodegradation" in methods
    assert "bag_lost: 1" in methods
    assert "1 looks excluded" in methods
    assert "One-stage model" not in methods
    for table in TABLES:
        for column in table.columns:
            assert f"| {column.name} |" in readme


def test_numbers_that_json_does_not_know_are_refused(tmp_path):
    bad = [
        {
            "material": "X",
            "outcome": "decay_rate",
            "model": "one_stage",
            "heat_class": "all",
            "time_scale": "days",
            "day": None,
            "estimate": float("nan"),
            "sites": [],
        }
    ]

    with pytest.raises(PackageFault, match="cannot be written"):
        build_package(small_trial(), bad, META, tmp_path / "p.zip")

    assert list(tmp_path.iterdir()) == []


def test_a_missing_table_and_a_look_without_its_bag_are_refused(tmp_path):
    tables = small_trial()
    without = {name: frame for name, frame in tables.items() if name != "turnings"}
    orphaned = {**tables, "bags": tables["bags"].iloc[1:]}

    with pytest.raises(PackageFault, match="turnings"):
        build_package(without, [], META, tmp_path / "p.zip")
    with pytest.raises(PackageFault, match="EAST-P1-COIR-POT-14-1"):
        build_package(orphaned, [], META, tmp_path / "p.zip")


def test_the_descriptor_names_version_licence_contributors_and_keys(unpacked):
    described = json.loads((unpacked / "datapackage.json").read_text())

    assert described["name"] == "coheap-pots-2026-v1"
    assert described["licenses"][0]["name"] == "CC-BY-4.0"
    assert [item["title"] for item in described["contributors"]] == [
        item.name for item in META.contributors
    ]
    assert described["missingReasons"].keys() == {"bag_lost", "bag_damaged", "not_weighed"}
