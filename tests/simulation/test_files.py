"""The simulated trial's files are what a lab would upload, and are the same every time."""

import csv
import json
import re
from datetime import date, datetime

import numpy as np
import pytest

from registry.columns import CODE_PATTERN, UPLOAD_KINDS, Kind
from registry.simulation.scenario import demo_scenario, scaled_scenario
from registry.simulation.trial import simulate_trial
from registry.simulation.write import write_trial


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    out = tmp_path_factory.mktemp("demo")
    return out, write_trial(simulate_trial(demo_scenario(), 2025), out)


def kind_of(path):
    return UPLOAD_KINDS[path.stem.removesuffix("_fahrenheit")]


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def uploads(demo):
    return [path for path in demo[1] if path.suffix == ".csv"]


def rows_everywhere(demo, kind):
    return [row for path in uploads(demo) if kind_of(path).name == kind for row in rows_of(path)]


def test_every_column_is_declared_and_every_required_one_is_there(demo):
    for path in uploads(demo):
        header = rows_of(path)[0].keys()

        assert set(header) <= set(kind_of(path).column_names), path
        assert set(kind_of(path).required) <= set(header), path


def test_every_cell_is_within_its_declared_range_and_vocabulary(demo):
    for path in uploads(demo):
        columns = {column.name: column for column in kind_of(path).columns}
        for row in rows_of(path):
            for name, text in row.items():
                check_cell(columns[name], text, path)


def check_cell(column, text, path):
    if text == "":
        assert not column.required, (path, column.name)
    elif column.kind in (Kind.NUMBER, Kind.INTEGER):
        number = float(text) if column.kind is Kind.NUMBER else int(text)
        assert column.low <= number <= column.high, (path, column.name, text)
    elif column.kind is Kind.CHOICE:
        assert text in column.choices, (path, column.name, text)
    elif column.kind is Kind.CODE:
        assert re.match(CODE_PATTERN, text), (path, column.name, text)
    elif column.kind is Kind.DATE:
        assert date.fromisoformat(text)
    elif column.kind is Kind.DATETIME:
        assert datetime.fromisoformat(text)
    elif column.kind is Kind.YES_NO:
        assert text in ("yes", "no")


def test_keys_are_unique_in_every_kind(demo):
    for kind in UPLOAD_KINDS.values():
        keys = [tuple(row[name] for name in kind.key) for row in rows_everywhere(demo, kind.name)]

        assert len(keys) == len(set(keys)), kind.name
        assert keys, kind.name


def test_the_demo_is_the_trial_that_was_promised(demo):
    out, _ = demo
    registration = json.loads((out / "registration.json").read_text())
    piles = rows_everywhere(demo, "piles")
    materials = rows_everywhere(demo, "materials")

    assert len(registration["institutions"]) >= 6
    assert all(2 <= sum(p["site"] == s["site"] for p in piles) <= 4 for s in registration["sites"])
    assert len(materials) == 14
    assert [m["role"] for m in materials].count("positive_control") == 1
    assert [m["role"] for m in materials].count("negative_control") == 1
    assert registration["trial"]["schedule_days"] == list(range(14, 113, 14))
    assert {p["kind"] for p in piles} == {"heap", "bin", "tumbler", "windrow", "in_vessel"}


def test_compositions_add_up_to_a_hundred(demo):
    totals: dict[str, float] = {}
    for row in rows_everywhere(demo, "compositions"):
        totals[row["material"]] = totals.get(row["material"], 0.0) + float(row["mass_pct"])

    assert len(totals) == 14
    assert all(abs(total - 100) <= 1 for total in totals.values())


def test_items_have_the_density_of_a_solid(demo):
    for row in rows_everywhere(demo, "materials"):
        density = float(row["area_density_g_m2"]) / float(row["thickness_um"])

        assert 0.1 <= density <= 2.5, row["material"]


def test_every_kind_of_mess_is_in_the_demo(demo):
    out, _ = demo
    looks = rows_everywhere(demo, "retrievals")
    bags = {row["bag_label"]: row for row in rows_everywhere(demo, "bags")}
    outcomes = {row["outcome"] for row in looks}
    remaining = [
        float(row["dry_mass_g"])
        / float(bags[row["bag_label"]]["initial_mass_g"])
        / (1 - float(bags[row["bag_label"]]["initial_moisture_pct"]) / 100)
        for row in looks
        if row["dry_mass_g"]
    ]
    mess = json.loads((out / "truth.json").read_text())["mess"]

    assert outcomes == {"recovered", "nothing_left", "bag_lost", "bag_damaged", "looked_at"}
    assert max(remaining) > 2
    assert sum(bool(row["ash_pct"]) for row in looks) > 10
    assert any(row["reburied"] == "yes" for row in looks)
    assert any(bag["purpose"] == "travel" for bag in bags.values())
    assert any(path.name == "temperatures_fahrenheit.csv" for path in demo[1])
    assert mess["logger_out"]["hours"] > 24
    assert sum(row["notes"] == "yard closed, lifted late" for row in looks) > 12


def test_masses_are_there_only_for_recovered_bags_and_drying_loses_mass(demo):
    for row in rows_everywhere(demo, "retrievals"):
        weighed = row["dry_mass_g"] != ""

        assert weighed == (row["outcome"] == "recovered")
        assert not weighed or float(row["dry_mass_g"]) <= 1.02 * float(row["wet_mass_g"])
        if row["outcome"] in ("bag_lost", "bag_damaged"):
            assert row["fragmentation"] == ""


def test_every_look_is_at_a_bag_of_its_own_site_and_not_before_burial(demo):
    out, _ = demo
    for folder in (path for path in out.iterdir() if path.is_dir()):
        buried = {row["bag_label"]: row["buried_on"] for row in rows_of(folder / "bags.csv")}
        for row in rows_of(folder / "retrievals.csv"):
            assert buried[row["bag_label"]] <= row["retrieved_on"]


def test_the_same_seed_writes_the_same_bytes_and_another_seed_does_not(tmp_path):
    scenario = scaled_scenario(sites=2, piles=2, materials=4, bags=2)
    first = write_trial(simulate_trial(scenario, 7), tmp_path / "a")
    again = write_trial(simulate_trial(scenario, 7), tmp_path / "b")
    other = write_trial(simulate_trial(scenario, 8), tmp_path / "c")

    assert [p.read_bytes() for p in first] == [p.read_bytes() for p in again]
    assert first[-1].read_bytes() != other[-1].read_bytes()


def test_scaled_trials_grow_beyond_the_demo(tmp_path):
    scenario = scaled_scenario(sites=10, piles=5, materials=16, bags=1, days=[30, 60])

    written = write_trial(simulate_trial(scenario, 1, with_heat=False), tmp_path)
    bags = [row for path in written if path.name == "bags.csv" for row in rows_of(path)]

    assert len({row["site"] for row in bags}) == 10
    assert len({row["material"] for row in bags}) == 16
    assert sum(row["purpose"] == "sample" for row in bags) == 10 * 5 * 16 * 2
    assert not any(path.name.startswith("temperatures") for path in written)


@pytest.mark.parametrize("wrong", [{"sites": 0}, {"bags": -1}, {"days": []}, {"days": [0, 14]}])
def test_an_impossible_size_is_refused(wrong):
    with pytest.raises(ValueError, match=r"must be at least 1|lie between"):
        scaled_scenario(**wrong)


def test_truth_written_is_truth_drawn(tmp_path):
    scenario = scaled_scenario(sites=2, piles=2, materials=3, bags=2)
    trial = simulate_trial(scenario, 3)

    write_trial(trial, tmp_path)
    truth = json.loads((tmp_path / "truth.json").read_text())["materials"]

    assert truth["POLYETHYLENE"]["mu"] is None
    assert truth["WOOL-MAT"]["mu"] == pytest.approx(np.log(0.043), abs=1e-12)
    site = scenario.sites[1].code
    assert truth["WOOL-MAT"]["site_effects"][site] == trial.truth.site_effect[2, 1]
    assert truth["WOOL-MAT"]["pile_effects"][f"{site}/P2"] == trial.truth.pile_effect[2, 3]
