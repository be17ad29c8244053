"""Each rule by hand: the case it is for, and the nearest case that is in order.

Limits are common practice without a source, except: replicates within 20 points (BS EN 17428:2023,
read in a summary) and the controls of `science.controls`.
"""

from dataclasses import replace

import numpy as np
import pytest

from registry.science import quality_rules as rules
from registry.science.log_heat import ProbeLog, measure_probes
from registry.science.quality_rules import BagTable, LookTable
from registry.science.recipe import Ingredient, mix

SAMPLE, TRAVEL, EMPTY = 0, 1, 2
RECOVERED, NOTHING_LEFT, LOST, DAMAGED, LOOKED_AT = range(5)


def looks(remaining: list[float], **columns: object) -> LookTable:
    """Looks at sample bags of one pile and material on day 28, unless said otherwise."""
    n = len(remaining)
    table = LookTable(
        look=np.arange(1, n + 1),
        pile=np.full(n, 7),
        material=np.full(n, 3),
        day=np.full(n, 28),
        outcome=np.full(n, RECOVERED, dtype=np.int8),
        purpose=np.full(n, SAMPLE, dtype=np.int8),
        remaining=np.array(remaining, float),
        ash_corrected=np.zeros(n, bool),
        ash=np.full(n, np.nan),
        ash_start=np.full(n, np.nan),
        fragmentation=np.full(n, np.nan),
        planned_days=np.full(n, np.nan),
        window_days=np.full(n, 2.0),
        reburied=np.zeros(n, bool),
    )
    return replace(
        table,
        **{name: np.asarray(value, getattr(table, name).dtype) for name, value in columns.items()},
    )


def found(table: LookTable) -> set[tuple[str, int | None]]:
    return {(finding.code, finding.look) for finding in rules.look_findings(table)}


def test_no_looks_give_no_findings() -> None:
    assert rules.look_findings(looks([])) == []


def test_more_than_105_percent_is_found_and_exactly_105_is_not() -> None:
    assert found(looks([1.05])) == set()

    (finding,) = rules.look_findings(looks([1.12]))

    assert (finding.code, finding.look, finding.pile) == ("remaining_over_105", 1, 7)
    assert (finding.found, finding.limit_high) == (pytest.approx(112.0), 105.0)
    assert finding.unit == "%"
    assert "112 %" in finding.message


def test_ash_corrected_value_and_empty_bag_are_not_too_heavy() -> None:
    assert found(looks([1.2], ash_corrected=[True])) == set()
    assert found(looks([1.2], purpose=[EMPTY])) == set()
    assert found(looks([1.2], purpose=[TRAVEL])) == {("remaining_over_105", 1)}


def test_more_mass_than_at_the_look_before_is_found_on_the_heavier_bag() -> None:
    table = looks([0.50, 0.54, 0.80, 0.60], day=[14, 14, 28, 28])

    findings = [f for f in rules.look_findings(table) if f.code == "more_than_before"]

    assert [f.look for f in findings] == [3]
    assert findings[0].compared_with == pytest.approx(52.0)
    assert findings[0].limit_high == pytest.approx(67.0)
    assert findings[0].n_compared == 2


def test_other_piles_and_materials_are_not_the_look_before() -> None:
    rise = {"day": [14, 28]}
    assert ("more_than_before", 2) in found(looks([0.2, 0.9], **rise))
    assert found(looks([0.2, 0.9], pile=[1, 2], **rise)) == set()
    assert found(looks([0.2, 0.9], material=[1, 2], **rise)) == set()


def test_look_before_is_the_last_one_with_a_mass() -> None:
    table = looks([0.2, np.nan, 0.9], day=[14, 28, 42], outcome=[RECOVERED, LOST, RECOVERED])

    assert found(table) == {("more_than_before", 3)}


def test_replicates_spread_over_more_than_20_points_name_the_farthest() -> None:
    assert found(looks([0.35, 0.40, 0.55])) == set()

    (finding,) = rules.look_findings(looks([0.50, 0.52, 0.71]))

    assert (finding.code, finding.look, finding.n_compared) == ("replicate_spread", 3, 3)
    assert finding.found == pytest.approx(21.0)
    assert finding.compared_with == pytest.approx(52.0)


def test_two_replicates_that_disagree_are_both_named() -> None:
    assert found(looks([0.3, 0.6])) == {("replicate_spread", 1), ("replicate_spread", 2)}


def test_more_ash_than_the_material_can_have_left_is_hidden_compost() -> None:
    # 10 % ash at the start and 50 % left: a clean residue has 20 % ash at most.
    clean = looks([0.5], ash=[0.20], ash_start=[0.10])
    dirty = looks([0.5], ash=[0.45], ash_start=[0.10])

    assert found(clean) == set()
    (finding,) = rules.look_findings(dirty)
    assert finding.code == "hidden_compost"
    assert (finding.found, finding.compared_with) == (pytest.approx(45), pytest.approx(20))
    assert found(replace(dirty, ash_corrected=np.array([True]))) == set()


def test_lifting_outside_the_window_is_late_or_early() -> None:
    table = looks([0.5] * 3, day=[31, 30, 25], planned_days=[28] * 3, material=[1, 2, 3])

    findings = rules.look_findings(table)

    assert {(f.look, "late" in f.message, "early" in f.message) for f in findings} == {
        (1, True, False),
        (3, False, True),
    }
    assert {(f.limit_low, f.limit_high) for f in findings} == {(26.0, 30.0)}


def test_look_in_place_and_reburied_bag_have_no_planned_day_to_miss() -> None:
    away = {"day": [14], "planned_days": [84]}
    assert found(looks([0.9], reburied=[True], **away)) == set()
    assert found(looks([np.nan], outcome=[LOOKED_AT], **away)) == set()
    assert found(looks([np.nan], outcome=[LOST], **away)) == set()
    assert found(looks([np.nan], outcome=[DAMAGED], **away)) == {("outside_window", 1)}


@pytest.mark.parametrize(
    ("score", "remaining", "contradicts"),
    [
        (0, 0.10, True),
        (1, 0.31, False),
        (2, 0.10, False),
        (4, 0.80, True),
        (5, 0.60, False),
        (3, 0.90, False),
    ],
)
def test_whole_item_without_mass_and_specks_with_much_mass_contradict(
    score: int, remaining: float, contradicts: bool
) -> None:
    table = looks([remaining], fragmentation=[score])

    assert (("score_against_mass", 1) in found(table)) is contradicts


def test_nothing_left_with_pieces_scored_contradicts() -> None:
    gone = {"outcome": [NOTHING_LEFT]}
    assert found(looks([np.nan], fragmentation=[3], **gone)) == {("score_against_mass", 1)}
    assert found(looks([np.nan], fragmentation=[5], **gone)) == set()


def test_bag_with_nothing_left_beside_full_ones_is_asked_about() -> None:
    outcome = [NOTHING_LEFT, RECOVERED, RECOVERED]

    assert ("gone_beside_remaining", 1) in found(looks([np.nan, 0.8, 0.9], outcome=outcome))
    assert ("gone_beside_remaining", 1) not in found(looks([np.nan, 0.1, 0.2], outcome=outcome))
    assert ("gone_beside_remaining", 1) not in found(looks([np.nan, 0.8], outcome=outcome[:2])), (
        "one neighbour says too little"
    )


def test_findings_beyond_the_most_of_a_pile_are_counted_on_the_pile() -> None:
    n = rules.MOST_PER_PILE + 30
    heavy = 1.1 + np.arange(n) / 1000

    findings = [f for f in rules.look_findings(looks(list(heavy))) if f.code.startswith("rem")]

    of_looks = [f for f in findings if f.look is not None]
    (rest,) = [f for f in findings if f.look is None]
    assert {f.look for f in of_looks} == set(range(31, n + 1)), "the worst are shown"
    assert (rest.pile, rest.found) == (7, 30.0)


def test_order_of_rows_changes_no_finding() -> None:
    rng = np.random.default_rng(5)
    n = 200
    table = looks(
        list(rng.uniform(0, 1.2, n)),
        pile=rng.integers(1, 4, n),
        material=rng.integers(1, 4, n),
        day=14 * rng.integers(1, 5, n),
        fragmentation=rng.integers(0, 6, n),
    )
    order = rng.permutation(n)
    shuffled = LookTable(**{k: getattr(table, k)[order] for k in LookTable.__dataclass_fields__})

    assert set(rules.look_findings(table)) == set(rules.look_findings(shuffled))
    assert len(found(table)) > 50


# --- bags ---------------------------------------------------------------------------------------


def bags(masses: list[float], batch: list[int] | None = None) -> BagTable:
    n = len(masses)
    return BagTable(
        bag=np.arange(1, n + 1),
        pile=np.full(n, 7),
        batch=np.array(batch or [1] * n),
        initial_mass_g=np.array(masses),
        is_empty=np.zeros(n, bool),
    )


def test_start_mass_beyond_a_fifth_of_its_batch_is_found() -> None:
    (finding,) = rules.bag_findings(bags([10.0, 10.2, 9.8, 10.0, 12.5]))

    assert (finding.code, finding.bag, finding.look) == ("start_mass_off_batch", 5, None)
    assert (finding.found, finding.compared_with, finding.n_compared) == (12.5, 10.0, 5)
    assert (finding.limit_low, finding.limit_high) == (8.0, 12.0)


def test_exactly_a_fifth_and_small_batches_are_in_order() -> None:
    assert rules.bag_findings(bags([10.0, 10.0, 10.0, 12.0])) == []
    assert rules.bag_findings(bags([10.0, 10.0, 20.0])) == []
    assert rules.bag_findings(bags([10.0] * 4 + [50.0] * 4, [1] * 4 + [2] * 4)) == []
    assert rules.bag_findings(bags([])) == []


# --- piles --------------------------------------------------------------------------------------

ROLES = {1: "negative_control", 2: "positive_control", 3: "test"}


def of_pile(table: LookTable) -> dict[str, float | None]:
    findings = rules.pile_findings(
        table, roles=ROLES, excluded=np.zeros(table.look.size, bool), agreed_day=28.0
    )
    return {finding.code: finding.found for finding in findings}


def test_polyethylene_outside_97_to_103_percent_is_found() -> None:
    assert of_pile(looks([0.97, 1.03], material=[1, 1])) == {}
    assert of_pile(looks([0.95, 0.97], material=[1, 1])) == {
        "control_lost_mass": pytest.approx(96.0)
    }
    assert of_pile(looks([1.04, 1.04], material=[1, 1])) == {
        "control_gained_mass": pytest.approx(104.0)
    }


def test_cellulose_less_than_70_percent_gone_by_the_primary_day_is_an_inactive_pile() -> None:
    assert of_pile(looks([0.30], material=[2])) == {}
    assert of_pile(looks([0.40], material=[2])) == {"control_not_degraded": pytest.approx(60.0)}
    assert of_pile(looks([0.80], material=[2], day=[14])) == {}, "too early to say"


def test_excluded_control_speaks_for_nothing() -> None:
    table = looks([0.90], material=[1])

    findings = rules.pile_findings(table, roles=ROLES, excluded=np.array([True]), agreed_day=28.0)

    assert findings == []


def test_fewer_than_80_percent_of_the_bags_back_is_found() -> None:
    outcome = [RECOVERED] * 4 + [LOST]
    assert of_pile(looks([0.5] * 4 + [np.nan], outcome=outcome)) == {}

    outcome = [RECOVERED] * 3 + [LOST, DAMAGED]
    assert of_pile(looks([0.5] * 3 + [np.nan] * 2, outcome=outcome)) == {
        "few_bags_recovered": pytest.approx(60.0)
    }


# --- loggers ------------------------------------------------------------------------------------


def log(probe: str, celsius: np.ndarray, hours: np.ndarray | None = None) -> ProbeLog:
    return ProbeLog(probe, np.arange(celsius.size) * 1.0 if hours is None else hours, celsius)


def loggers(*logs: ProbeLog, air: ProbeLog | None = None) -> dict[tuple[str, str], float | None]:
    findings = rules.logger_findings(7, {one.probe: one for one in logs}, air)
    return {(finding.code, finding.probe): finding.found for finding in findings}


HOT = 60.0 + 3.0 * np.sin(np.arange(96) / 8)


def test_two_plausible_loggers_have_no_findings() -> None:
    assert loggers(log("CORE", HOT), log("EDGE", HOT - 6)) == {}


def test_readings_above_75_are_asked_about() -> None:
    hottest = HOT.copy()
    hottest[10] = 76.5

    assert loggers(log("CORE", hottest)) == {("above_75", "CORE"): 76.5}


def test_cool_pile_logged_in_fahrenheit_is_told_by_its_neighbour() -> None:
    cool = 20.0 + 2.0 * np.sin(np.arange(96) / 8)

    found = loggers(log("A", cool), log("B", cool * 1.8 + 32))

    assert ("fahrenheit_like", "B") in found
    assert ("fahrenheit_like", "A") not in found


def test_logger_beside_the_pile_is_found_with_its_hours() -> None:
    left_out = HOT.copy()
    left_out[40:60] = 18.0

    findings = rules.logger_findings(
        7,
        {"CORE": log("CORE", HOT), "MID": log("MID", left_out)},
        log("AIR", np.full(96, 17.0)),
    )

    (finding,) = [one for one in findings if one.code == "logger_outside"]
    assert (finding.probe, finding.found, finding.unit) == ("MID", 19.0, "h")
    assert (finding.from_h, finding.until_h) == (40.0, 59.0)


def test_gap_of_more_than_four_hours_is_found_while_warm_and_not_while_cold() -> None:
    hours = np.concatenate([np.arange(10.0), np.arange(15.0, 30.0)])

    warm = loggers(log("CORE", np.full(25, 55.0), hours))
    cold = loggers(log("CORE", np.full(25, 15.0), hours))
    four = loggers(log("CORE", np.full(2, 55.0), np.array([0.0, 4.0])))

    assert warm == {("gap_while_hot", "CORE"): 6.0}
    assert cold == {}
    assert four == {}


def test_pile_is_asked_about_when_its_fullest_log_covers_less_than_nine_tenths() -> None:
    # Ten days of hours; gaps of 25, 24 and 5 hours are not bridged.
    whole = np.arange(241.0)
    nine_tenths = np.delete(whole, np.arange(101, 124))  # 24 of 240 hours missing
    less = np.delete(whole, np.arange(101, 125))  # 25 of 240
    first_day = np.array([0.0, 1.0, 40.0])

    def found(**hours: np.ndarray) -> dict[str, float | None]:
        logs = [log(probe, np.full(at.size, 50.0), at) for probe, at in hours.items()]
        return {one.code: one.found for one in rules.log_findings(7, measure_probes(logs))}

    assert found(CORE=less) == {"log_incomplete": pytest.approx(100 * 215 / 240)}
    assert found(CORE=nine_tenths) == {}
    assert found(CORE=less, MID=whole) == {}, "the fullest log speaks"
    assert found(CORE=first_day) == {}, "less than two days are a beginning"
    assert found() == {}


def test_start_mix_is_asked_about_outside_its_acceptable_range() -> None:
    # 100 kg of one ingredient: the mix is the ingredient. C:N 20–40, moisture 40–65 % (CV-045).
    def found(moisture: float | None, nitrogen: float | None) -> dict[str, float | None]:
        made = mix([Ingredient(100.0, moisture, 0.40, nitrogen)])
        return {one.code: one.found for one in rules.recipe_findings(7, made)}

    assert found(0.55, 0.40 / 30) == {}
    assert found(0.66, 0.40 / 41) == {
        "start_cn_out_of_range": pytest.approx(41.0),
        "start_moisture_out_of_range": pytest.approx(66.0),
    }
    assert found(0.39, 0.40 / 19) == {
        "start_cn_out_of_range": pytest.approx(19.0),
        "start_moisture_out_of_range": pytest.approx(39.0),
    }
    assert found(None, None) == {}, "what is not told breaks no rule"
