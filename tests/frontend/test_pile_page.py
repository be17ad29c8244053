"""A pile's page: its heat in words, the rules, the start mix against its ranges, what was asked."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from django.urls import reverse

from registry.models import CurveShape, Feedstock, Flag, Pile, PileCurve, ProbeDay, Turning, User
from registry.permissions import Actor, visible_to
from registry.queries.pile_curves import material_curves
from tests.frontend.small_trial import START, log_in

pytestmark = pytest.mark.django_db


def text_of(response) -> str:
    return " ".join(response.content.decode().split())


def logged(pile: Pile, celsius: list[float], probe: str = "CORE", first: int = 0) -> None:
    """Hourly readings, one level a day."""
    for n, level in enumerate(celsius):
        ProbeDay.objects.create(
            pile=pile,
            probe=probe,
            day=START + timedelta(first + n),
            seconds=[3600 * hour for hour in range(24)],
            celsius=[level] * 24,
            count=24,
            lowest_c=level,
            mean_c=level,
            highest_c=level,
        )


@pytest.fixture
def pile(pots) -> Pile:
    """Hot for six days of twenty, with a recipe and two turnings."""
    found = Pile.objects.get(site=pots.sites[0], code="P1")
    logged(found, [60.0] * 6 + [45.0] * 14)
    logged(found, [12.0] * 20, probe="AIR-1")
    for name, mass, moisture, carbon, nitrogen in (
        ("straw", 100.0, 10.0, 45.0, 0.75),
        ("manure", 200.0, 75.0, 40.0, 2.5),
    ):
        Feedstock.objects.create(
            pile=found,
            ingredient=name,
            wet_mass_kg=mass,
            moisture_pct=moisture,
            carbon_pct=carbon,
            nitrogen_pct=nitrogen,
        )
    for day in (3, 9):
        at = datetime.combine(START + timedelta(day), datetime.min.time(), UTC)
        Turning.objects.create(pile=found, turned_at=at + timedelta(hours=13), water_added_l=20)
    return found


def address(pile: Pile) -> str:
    return reverse("frontend:pile", args=[pile.site.code, pile.code])


def test_the_heat_class_stands_first_with_its_reason(coordinator, pile):
    page = text_of(coordinator.get(address(pile)))

    assert "A hot pile" in page
    assert "needed 55 °C or more for 3 days in one run, seen 6.0 days" in page
    assert "<td>CORE</td>" in page


def test_rules_of_this_kind_of_pile_are_met_or_not_in_words(coordinator, pile):
    page = text_of(coordinator.get(address(pile)))

    assert page.count("<strong>Met</strong>") == 2  # pathogen reduction, and organic with its C:N
    assert "windrow (US)" not in page
    assert "numbers from memory, not verified" in page


def test_the_mix_is_weighed_not_averaged_and_stands_beside_its_ranges(coordinator, pile):
    page = text_of(coordinator.get(address(pile)))

    # Dry 90 and 50 kg: carbon 40.5 + 20, nitrogen 0.675 + 1.25 kg; water 10 + 150 of 300 kg.
    assert f"{60.5 / 1.925:.1f}" == "31.4"
    assert '<td class="number">31.4</td><td>25 to 35</td><td>20 to 40</td>' in page
    assert '<td class="number">53 %</td><td>45 to 60 %</td>' in page
    assert "The C:N of the start mix is in the ideal range." in page


def test_turnings_are_told_by_the_clock_of_the_site(coordinator, pile):
    page = text_of(coordinator.get(address(pile)))

    assert "5 March 2026, 14:00" in page  # 13:00 UTC in Copenhagen in winter


def test_days_are_in_the_table_with_the_air_beside_them(coordinator, pile):
    page = text_of(coordinator.get(address(pile)))

    row = '2 March 2026</th><td class="number">0</td><td class="number">60.0</td>'
    assert row in page
    assert '<td class="number">12.0</td><td class="number">24</td>' in page


def test_a_probe_left_out_speaks_no_more(coordinator, pile, pots):
    Flag.objects.create(
        pile=pile,
        probe="CORE",
        code="fahrenheit_like",
        message="Read as °F it fits.",
        decision="exclude",
        reason="It was set to °F.",
        decided_at=datetime.now(UTC),
    )

    page = text_of(coordinator.get(address(pile)))

    assert "Heat not known" in page
    assert "It was set to °F." in page


def test_a_pile_that_overheats_now_says_what_to_do(coordinator, pile):
    logged(pile, [82.0], first=20)

    assert "do not open the pile. Call the fire service." in text_of(coordinator.get(address(pile)))


def test_a_pile_without_anything_has_helpful_words_and_no_picture(coordinator, pots):
    empty = Pile.objects.get(site=pots.sites[1], code="P2")

    page = text_of(coordinator.get(address(empty)))

    assert "No temperatures have been sent for this pile." in page
    assert "No feedstocks have been sent" in page
    assert "chart-drawing" not in page


def test_a_pile_without_air_gaps_or_moisture_is_shown_with_what_is_known(coordinator, pots):
    bare = Pile.objects.get(site=pots.sites[1], code="P2")
    logged(bare, [30.0, 30.0])
    logged(bare, [30.0], first=5)
    Feedstock.objects.create(pile=bare, ingredient="leaves", wet_mass_kg=10)

    page = text_of(coordinator.get(address(bare)))

    assert "1 gap of more than 4 hours in the log, 73 hours long." in page
    assert "An ingredient has no moisture" in page


def test_flags_are_for_the_lab_and_the_trials_coordinators(client, coordinator, pile, pots):
    Flag.objects.create(pile=pile, probe="CORE", code="above_75", message="Very hot.")
    assert "Very hot." in text_of(coordinator.get(address(pile)))

    stranger = User.objects.create_user("far@example.org", "a long pass phrase for tests")
    log_in(client, stranger)
    assert client.get(address(pile)).status_code == 404


def test_the_page_asks_a_fixed_number_of_queries(coordinator, pile, count_queries):
    few = count_queries(coordinator, address(pile))
    for n in range(20):
        Feedstock.objects.create(pile=pile, ingredient=f"more {n}", wet_mass_kg=1)
        Flag.objects.create(pile=pile, probe=f"P{n}", code="above_75", message="Hot.")
    logged(pile, [40.0] * 30, first=30)

    assert count_queries(coordinator, address(pile)) == few


def test_a_log_that_starts_before_the_pile_is_drawn_too(coordinator, pots):
    early = Pile.objects.get(site=pots.sites[2], code="P1")
    logged(early, list(np.linspace(10, 50, 10)), first=-3)

    assert coordinator.get(address(early)).status_code == 200


def curve_of(pile: Pile, pots, material: int, **changes) -> PileCurve:
    values = {"n_looks": 8, "n_days": 4, "n_nothing_left": 0, "outcome": "fitted"} | changes
    return PileCurve.objects.create(
        run=pots.run,
        pile=pile,
        material=pots.materials[material],
        method="least_squares",
        **values,
    )


@pytest.fixture
def curves(pile: Pile, pots) -> None:
    """One material with a curve, one of which only a bound is known."""
    fitted = curve_of(pile, pots, 0, best="first_order")
    CurveShape.objects.create(
        curve=fitted,
        shape="first_order",
        parameters=[0.0201],
        standard_errors=[0.001],
        half_life_days=34.5,
        days_to_90=114.6,
        extrapolated=True,
        converged=True,
        warning_codes=["extrapolated"],
        warnings=["90 % lost lies beyond the last look (day 84): an extrapolation."],
    )
    curve_of(
        pile,
        pots,
        2,
        outcome="rate_not_positive",
        rate_at_most=0.0012,
        message="No mass was lost over time, so there is no decay rate above zero.",
    )


def test_curves_stand_over_the_data_for_the_trials_coordinator(coordinator, pile, pots, curves):
    page = text_of(coordinator.get(address(pile)))

    assert pots.materials[0].name in page
    assert '<small class="soft">POTS-26-M0</small></th><td>First-order</td>' in page
    assert '0.020</td><td class="number">34.5</td><td class="number">115</td>' in page
    assert "90 % lost lies beyond the last look" in page
    assert "at most 0.0012" in page
    assert "No mass was lost over time" in page
    assert "How each material breaks down in this pile" in page


def test_curves_over_the_data_are_for_the_site_and_its_coordinators(pile, pots, curves):
    stranger = Actor(user=User.objects.create_user("far@example.org", "a long pass phrase"))

    # The run is released, so the API tells the curves; the looks behind them stay where they are.
    assert visible_to(stranger, PileCurve).count() == 2
    assert material_curves(stranger, pile) == []
    assert len(material_curves(Actor(user=pots.coordinator), pile)) == 2
