"""Heat while a bag lay in its pile, by hand; and the effect sizes of days to 90 %."""

import numpy as np
import pandas as pd
import pytest

from registry.packages.build import complete_tables
from registry.packages.derived import with_derived_columns
from tests.packages.small_trial import small_trial


def with_log(celsius, start="2026-04-07T10:00:00Z"):
    tables = small_trial()
    tables["temperatures"] = pd.DataFrame(
        {
            "site": "EAST",
            "pile": "P1",
            "probe": "CORE",
            "measured_at": pd.date_range(start, periods=len(celsius), freq="h"),
            "temperature_c": celsius,
        }
    )
    return with_derived_columns(tables)["retrievals"].set_index("bag_label")


def test_the_window_is_from_noon_of_the_burial_to_noon_of_the_look_in_the_time_of_the_site():
    # Noon in Amsterdam in April is 10:00 UTC. 20 days at 60 °C, more than till the look on day 14.
    looks = with_log(np.full(20 * 24, 60.0))

    look = looks.loc["EAST-P1-COIR-POT-14-1"]

    assert look["heat_hours_above_55"] == pytest.approx(14 * 24 - 1)
    assert look["heat_mean_c"] == look["heat_highest_c"] == 60.0
    assert look["heat_degree_hours_40"] == pytest.approx(20.0 * (14 * 24 - 1))
    assert look["heat_coverage_pct"] == pytest.approx(100 * (14 * 24 - 1) / (14 * 24))


def test_heat_after_the_look_does_not_count_for_it():
    cool_then_hot = np.concatenate([np.full(14 * 24, 30.0), np.full(14 * 24, 70.0)])

    looks = with_log(cool_then_hot)

    early, late = looks.loc["EAST-P1-COIR-POT-14-1"], looks.loc["EAST-P1-COIR-POT-28-1"]
    assert (early["heat_highest_c"], early["heat_hours_above_40"]) == (30.0, 0.0)
    assert late["heat_highest_c"] == 70.0
    assert late["heat_hours_above_55"] == pytest.approx(14 * 24 - 1 + 15 / 40, abs=0.01)


def test_without_a_log_heat_is_blank_and_a_log_that_ended_covers_less():
    looks = with_log(np.full(7 * 24, 50.0))

    assert looks.loc["WEST-P1-COIR-POT-14-1", "heat_coverage_pct"] != 0.0
    assert pd.isna(looks.loc["WEST-P1-COIR-POT-14-1", "heat_coverage_pct"])
    assert looks.loc["EAST-P1-COIR-POT-14-1", "heat_coverage_pct"] == pytest.approx(50, abs=0.5)


def test_degree_hours_are_the_area_above_40_within_the_window():
    rng = np.random.default_rng(4)
    hours = np.arange(28 * 24 + 1)
    celsius = 50 + 8 * np.sin(hours / 24 * 2 * np.pi) + rng.normal(0, 1, hours.size)

    looks = with_log(celsius)

    day_28 = looks.loc["EAST-P1-COIR-POT-28-1", "heat_degree_hours_40"]
    by_hand = np.maximum(celsius[: 28 * 24] - 40.0, 0.0)
    assert day_28 == pytest.approx(np.trapezoid(by_hand), rel=5e-3)


def test_days_to_90_of_a_pile_follow_from_its_rate_by_the_delta_method():
    effects = complete_tables(small_trial(), [])["effect_sizes"]
    piles = effects[effects["level"] == "pile"].set_index(["material", "site", "pile", "measure"])
    rate = piles.xs("log_decay_rate", level="measure")
    days = piles.xs("log_days_to_90", level="measure")

    # D = L + ln(10)/k with the lag L of the material, the same for all its piles.
    lag = np.exp(days["effect"]) - np.log(10) / np.exp(rate["effect"])
    share = 1 - lag / np.exp(days["effect"])

    assert len(rate) == len(days) >= 10
    assert lag.groupby("material").std().max() < 1e-9
    assert (lag > -1e-9).all()
    np.testing.assert_allclose(days["variance"], rate["variance"] * share**2, rtol=1e-9)
