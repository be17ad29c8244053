"""Thermal rules and the heat class, against the numbers of published rules."""

import numpy as np
import pytest

from registry.science.heat_class import heat_class, pile_heat, sanitising_rule
from registry.science.log_heat import ProbeLog
from registry.science.thermal import summarise
from registry.science.thermal_rule_sets import RULE_SETS, rule_set
from registry.science.thermal_rules import days_needed, evaluate, times_at_heat
from registry.science.types import ScienceError
from registry.simulation.scenario import demo_scenario
from registry.simulation.trial import simulate_trial
from tests.science.check_values import expected, inputs, tolerance


def log_of(*pieces):
    """Readings every 6 minutes from (hours, °C) pieces."""
    celsius = np.concatenate([np.full(round(10 * n), c, dtype=float) for n, c in pieces])
    return np.arange(celsius.size) / 10.0, celsius


def judged(code, hours, celsius, turned=(), kind="windrow", **more):
    summary = summarise(hours, celsius, np.array(turned))
    return evaluate(rule_set(code), times_at_heat(hours, celsius), summary, kind, **more)


def test_days_of_the_time_temperature_equation():
    # CV-048: US biosolids relation, constants read in a state rule that carries the federal ones.
    days = [days_needed(c) for c in inputs("CV-048")["T_C"]]

    assert days == pytest.approx(expected("CV-048")["days"], rel=1e-4)


def test_the_equation_does_not_apply_below_fifty():
    # CV-050: same rule, temperature >= 50 °C.
    assert days_needed(inputs("CV-050")["T_C"]) is None
    assert days_needed(50.0) is not None


def test_the_equation_never_asks_for_less_than_twenty_minutes():
    assert days_needed(90.0) == pytest.approx(20 / 60 / 24)


def test_static_rule_needs_three_full_days():
    # CV-051: US federal compost text, 55 °C or greater for 3 days.
    met = []
    for hours_hot in inputs("CV-051")["hours_at_or_above_55C"]:
        t = np.array([0.0, *np.arange(1.0, hours_hot, 1.0), hours_hot, hours_hot + 0.001])
        c = np.array([55.0] * (t.size - 1) + [20.0])
        met.append(judged("US-PFRP-STATIC", t, c, kind="in_vessel").met)

    assert met == expected("CV-051")["met"]


def test_windrow_rule_needs_fifteen_days_and_five_turnings_within_them():
    # CV-052: US federal compost text; days need not follow one another in the Part 257 wording.
    met = []
    for case in inputs("CV-052")["cases"]:
        t, c = log_of((24 * case["days55"] + 0.1, 57.0), (48, 30.0))
        inside = np.linspace(10, 24 * case["days55"] - 10, case["turns_in_period"])
        after = (
            24 * case["days55"]
            + 20
            + np.arange(case.get("turns_total", case["turns_in_period"]) - case["turns_in_period"])
        )
        met.append(judged("US-PFRP-WINDROW", t, c, [*inside, *after]).met)

    assert met == expected("CV-052")["met"]


def test_windrow_days_add_up_over_dips_and_both_counts_are_reported():
    t, c = log_of(*[piece for _ in range(8) for piece in ((48.0, 60.0), (6.0, 40.0))])

    result = judged("US-PFRP-WINDROW", t, c, [50, 104, 158, 212, 266])

    assert result.met
    assert result.total_days == pytest.approx(16, abs=0.2)
    assert result.longest_run_days == pytest.approx(2, abs=0.1)


def test_organic_rule_has_an_upper_limit_and_a_recipe_gate():
    # CV-054: 7 CFR 205.203(c)(2)(i)-(iii), 131–170 °F.
    wanted = expected("CV-054")["rule"]
    rule = rule_set("US-ORGANIC-WINDROW")
    too_hot = log_of((24 * 4, 79.0))
    right = log_of((24 * 4, 65.0))

    assert list(rule.cn_range) == wanted["initial_CN"]
    assert rule.any_of[0].days == wanted["windrow_days"]
    assert rule.min_turnings == wanted["windrow_turns_min"]
    assert rule.any_of[0].high_c == pytest.approx(
        expected("CV-054")["C"][1], abs=tolerance("CV-054")
    )
    assert judged("US-ORGANIC-STATIC", *right, kind="in_vessel", cn_ratio=30.0).met is True
    assert judged("US-ORGANIC-STATIC", *too_hot, kind="in_vessel", cn_ratio=30.0).met is False
    assert judged("US-ORGANIC-STATIC", *right, kind="in_vessel").met is None


def test_recipe_gate_of_the_organic_rule():
    # CV-056: 7 CFR 205.203(c)(2)(i).
    t, c = log_of((24 * 4, 65.0))

    met = [
        judged("US-ORGANIC-STATIC", t, c, kind="in_vessel", cn_ratio=cn).met
        for cn in inputs("CV-056")["initial_CN"]
    ]

    assert met == expected("CV-056")["ok"]


def test_one_of_several_times_at_heat_is_enough():
    # Regulation (EU) 2019/1009, CMC 3: numbers from memory, not verified.
    t, c = log_of((24 * 5.1, 66.0), (24 * 20, 30.0))

    result = judged("EU-FERTILISER-COMPOST", t, c, kind="heap")

    assert result.met
    assert "from memory" in result.rule.source_status


def test_a_rule_for_another_kind_of_pile_gives_no_verdict():
    t, c = log_of((24 * 30, 60.0))

    result = judged("US-PFRP-WINDROW", t, c, kind="bin")

    assert not result.applies
    assert result.met is None


def test_every_rule_names_its_place_version_and_source_and_never_certifies():
    t, c = log_of((24 * 30, 60.0))

    for rule in RULE_SETS:
        result = judged(rule.code, t, c, kind=rule.kinds[0])
        assert rule.version
        assert rule.jurisdiction
        assert rule.source
        assert rule.source_status
        assert "not a certificate" in result.note
        assert result.explanation
    with pytest.raises(ScienceError, match="No thermal rule"):
        rule_set("NOWHERE")


DAY = 24.0


@pytest.mark.parametrize(
    ("pieces", "turned", "kind", "wanted"),
    [
        ([(3.1 * DAY, 56.0), (20 * DAY, 30.0)], [], "in_vessel", "hot"),
        ([(3.1 * DAY, 56.0), (20 * DAY, 30.0)], [], "heap", "hot"),
        ([(3.1 * DAY, 56.0), (2 * DAY, 45.0), (20 * DAY, 30.0)], [], "windrow", "warm"),
        ([(16 * DAY, 56.0), (20 * DAY, 30.0)], [24, 72, 144, 200, 300], "windrow", "hot"),
        ([(16 * DAY, 56.0), (20 * DAY, 30.0)], [24, 72], "windrow", "warm"),
        ([(5.1 * DAY, 40.0), (20 * DAY, 30.0)], [], "bin", "warm"),
        ([(4.8 * DAY, 40.0), (20 * DAY, 30.0)], [], "bin", "cool"),
        ([(20 * DAY, 25.0)], [], "tumbler", "cool"),
        ([(6 * DAY, 45.0)], [], "bin", "unknown"),
    ],
)
def test_heat_class_of_a_pile(pieces, turned, kind, wanted):
    t, c = log_of(*pieces)

    summary = heat_class(t, c, np.array(turned, dtype=float), kind)

    assert summary.heat_class == wanted
    assert summary.reason


def test_no_log_is_unknown():
    assert heat_class(np.empty(0), np.empty(0), None, "bin").heat_class == "unknown"
    assert pile_heat([], None, "bin").heat_class == "unknown"


def test_a_log_with_holes_may_say_hot_but_not_cool():
    t, c = log_of((4 * DAY, 58.0), (16 * DAY, 30.0))

    hot = heat_class(t, c, None, "heap", span_h=100 * DAY)
    cool = heat_class(t, np.full(t.size, 30.0), None, "heap", span_h=100 * DAY)

    assert hot.heat_class == "hot"
    assert cool.heat_class == "unknown"
    assert cool.coverage_pct == pytest.approx(20, abs=0.1)


def test_an_unknown_kind_of_pile_is_refused():
    with pytest.raises(ScienceError, match="A pile is one of"):
        heat_class(np.empty(0), np.empty(0), None, "volcano")


def test_the_best_covered_hottest_probe_speaks_and_a_forgotten_one_does_not():
    t, core = log_of((10 * DAY, 60.0), (20 * DAY, 35.0))
    edge = core - 6.0
    # Forgotten outside for three days in the hot phase.
    edge[480:1200] = 12.0
    partial_t, partial = t[: t.size // 3], np.full(t.size // 3, 66.0)

    summary = pile_heat(
        [ProbeLog("EDGE", t, edge), ProbeLog("CORE", t, core), ProbeLog("TOP", partial_t, partial)],
        None,
        "windrow",
        span_h=30 * DAY,
    )

    assert summary.probe == "CORE"
    assert summary.heat_class == "warm"
    assert [(span.probe, span.from_h, span.until_h) for span in summary.outside] == [
        ("EDGE", 48.0, 119.9)
    ]


def test_the_simulated_forgotten_logger_is_found_where_it_was_forgotten_and_nowhere_else():
    trial = simulate_trial(demo_scenario(), 2025)
    pile, probe, start, hours = trial.logger_out

    found = {}
    for p, care in enumerate(trial.piles):
        logs = [ProbeLog(s.probe, s.hour.astype(float), s.celsius) for s in care.probes]
        summary = pile_heat(logs, care.turned.astype(float), trial.truth.pile_kinds[p])
        for span in summary.outside:
            found.setdefault((p, span.probe), []).append(span)

    assert list(found) == [(pile, probe)]
    (span,) = found[(pile, probe)]
    assert span.from_h == pytest.approx(start, abs=2)
    assert span.hours == pytest.approx(hours - 1, abs=3)


def test_the_demo_has_piles_of_every_heat():
    trial = simulate_trial(demo_scenario(), 2025)

    classes = [
        pile_heat(
            [ProbeLog(s.probe, s.hour.astype(float), s.celsius) for s in care.probes],
            care.turned.astype(float),
            kind,
        ).heat_class
        for care, kind in zip(trial.piles, trial.truth.pile_kinds, strict=True)
    ]

    assert classes.count("hot") >= 8
    assert classes.count("warm") >= 3
    assert classes.count("cool") >= 1
    assert "unknown" not in classes


def test_kinds_are_sorted_by_the_rule_written_for_them():
    assert sanitising_rule("windrow") == "US-PFRP-WINDROW"
    assert sanitising_rule("in_vessel") == "US-PFRP-STATIC"
