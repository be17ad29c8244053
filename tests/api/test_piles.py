"""Heat and recipe of one pile, as the API tells them."""

from datetime import UTC, datetime, timedelta

import pytest

from registry.models import Pile, ProbeDay
from registry.services import quality
from tests import sample_files
from tests.world import Call, World

START = datetime(2026, 4, 7, tzinfo=UTC)
FEEDSTOCKS = """site,pile,ingredient,wet_mass_kg,moisture_pct,carbon_pct,nitrogen_pct
NORTH,P1,grass,10,77,45,2.4
NORTH,P1,leaves,3.5,35,50,0.75
"""


@pytest.fixture
def pile(call: Call) -> Pile:
    """A bin of NORTH without readings or recipe."""
    call("POST", "/piles/", sample_files.piles("NORTH"), as_="NORTH")
    return Pile.objects.get(site__code="NORTH", code="P1")


def hourly(probe: str, celsius: list[float]) -> str:
    rows = [
        f"NORTH,P1,{probe},{START + timedelta(hours=hour):%Y-%m-%dT%H:%M:%SZ},{value}"
        for hour, value in enumerate(celsius)
    ]
    return "site,pile,probe,measured_at,temperature_c\n" + "\n".join(rows) + "\n"


def heat(call: Call, pile: Pile) -> dict:
    answer = call("GET", f"/piles/{pile.pk}/heat/", as_="NORTH")
    assert answer.status_code == 200, answer.json()
    return answer.json()


def recipe(call: Call, pile: Pile, query: str = "") -> dict:
    answer = call("GET", f"/piles/{pile.pk}/recipe/{query}", as_="NORTH")
    assert answer.status_code == 200, answer.json()
    return answer.json()


def test_a_pile_without_readings_is_unknown_and_says_so(call: Call, pile: Pile) -> None:
    found = heat(call, pile)

    assert (found["heat_class"], found["reason"]) == ("unknown", "No temperatures were logged.")
    assert (found["speaks"], found["highest_c"], found["latest"]) == ("", None, None)
    assert [row["hours"] for row in found["above"]] == [0.0] * 5
    assert found["probes"] == []


def test_five_days_at_60_degrees_meet_the_rule_of_bins(call: Call, pile: Pile) -> None:
    # 120 hours at 60 °C among 400 at 30 °C; each flank of an hour is a straight line.
    log = [30.0] * 40 + [60.0] * 121 + [30.0] * 240
    call("POST", "/temperatures/", hourly("CORE", log), as_="NORTH")

    found = heat(call, pile)

    above = {row["threshold_c"]: row for row in found["above"]}
    rule = next(row for row in found["rules"] if row["code"] == "US-PFRP-STATIC")
    assert (found["heat_class"], found["speaks"], found["enough_logged"]) == ("hot", "CORE", True)
    # From 30 to 60 °C in an hour: above 55 for a sixth of it, on both sides.
    assert above[55.0]["hours"] == pytest.approx(120 + 2 / 6)
    assert above[55.0]["longest_run_h"] == pytest.approx(120 + 2 / 6)
    assert above[65.0]["hours"] == 0
    # 131 700 000 / 10^(0.14 · 55): 40 CFR 503.32.
    assert above[55.0]["equation_days"] == pytest.approx(131_700_000 / 10**7.7)
    assert above[40.0]["equation_days"] is None
    assert (rule["applies"], rule["met"], rule["jurisdiction"]) == (True, True, "US")
    assert rule["requirements"][0]["seen"] == "5.0 days"
    assert "not a certificate" in found["note"]
    assert found["hot_from"] == "2026-04-08T15:50:00Z"
    assert found["latest"]["attention"] == "normal"


def test_a_rule_that_asks_for_the_start_mix_gets_it(call: Call, pile: Pile) -> None:
    log = [60.0] * 400
    call("POST", "/temperatures/", hourly("CORE", log), as_="NORTH")

    before = {row["code"]: row["met"] for row in heat(call, pile)["rules"]}
    call("POST", "/feedstocks/", FEEDSTOCKS, as_="NORTH")
    found = heat(call, pile)
    after = {row["code"]: row["met"] for row in found["rules"]}

    assert before["US-ORGANIC-STATIC"] is None
    # The C:N of the recipe is 30.1, in the rule's 25 to 40.
    assert found["start_cn_ratio"] == pytest.approx(30.064, abs=0.001)
    assert after["US-ORGANIC-STATIC"] is True


def test_a_logger_in_the_air_and_a_day_too_hot_are_told(call: Call, pile: Pile) -> None:
    air = [12.0] * 500
    core = [60.0] * 200 + [12.0] * 48 + [60.0] * 240 + [76.0] * 12
    for probe, log in (("AIR-1", air), ("CORE", core)):
        call("POST", "/temperatures/", hourly(probe, log), as_="NORTH")

    found = heat(call, pile)

    assert [(span["probe"], span["hours"]) for span in found["outside"]] == [("CORE", 47.0)]
    assert found["outside"][0]["from_at"] == "2026-04-15T08:00:00Z"
    assert {row["probe"]: row["in_air"] for row in found["probes"]} == {
        "AIR-1": True,
        "CORE": False,
    }
    assert {row["probe"]: row["ask_about_unit"] for row in found["probes"]}["CORE"] is True
    assert found["latest"]["attention"] == "act_turn_and_wet"


def test_a_probe_left_out_by_a_coordinator_does_not_speak(
    call: Call, pile: Pile, world: World
) -> None:
    core = [60.0] * 200 + [76.0] * 200
    for probe, log in (("CORE", core), ("EDGE", [45.0] * 400)):
        call("POST", "/temperatures/", hourly(probe, log), as_="NORTH")
    assert heat(call, pile)["speaks"] == "CORE"
    flag = pile.flags.filter(probe="CORE").first()
    assert flag is not None

    quality.decide_flag(flag=flag, decision="exclude", reason="°F sent as °C", by=world.boss)
    found = heat(call, pile)

    assert (found["speaks"], found["heat_class"]) == ("EDGE", "warm")
    assert {row["probe"]: row["excluded"] for row in found["probes"]} == {
        "CORE": True,
        "EDGE": False,
    }


def test_the_number_of_queries_does_not_grow_with_the_log(
    call: Call, pile: Pile, django_assert_num_queries
) -> None:
    call("POST", "/temperatures/", hourly("CORE", [60.0] * 24), as_="NORTH")
    with django_assert_num_queries(9):
        heat(call, pile)
    call("POST", "/temperatures/", hourly("EDGE", [60.0] * 400), as_="NORTH")

    with django_assert_num_queries(9):
        heat(call, pile)

    assert ProbeDay.objects.count() > 10


def test_the_mix_is_summed_before_it_is_divided(call: Call, pile: Pile) -> None:
    # CV-038 and CV-039: the C/N method of Cornell's composting programme, grass and leaves.
    call("POST", "/feedstocks/", FEEDSTOCKS, as_="NORTH")

    found = recipe(call, pile)

    assert found["mix"]["wet_mass_kg"] == 13.5
    assert found["mix"]["cn_ratio"] == pytest.approx(30.064, abs=0.001)
    assert found["mix"]["moisture_pct"] == pytest.approx(66.1111, abs=0.0001)
    assert [row["verdict"] for row in found["standing"]] == ["high", "ideal"]
    assert found["missing"] == found["goals"] == []


def test_more_of_a_line_for_a_goal_and_no_amount_where_none_helps(call: Call, pile: Pile) -> None:
    call("POST", "/feedstocks/", FEEDSTOCKS, as_="NORTH")

    more = recipe(call, pile, "?moisture_goal_pct=60&cn_goal=35&ingredient=leaves")["goals"]
    none = recipe(call, pile, "?moisture_goal_pct=60")["goals"]

    assert [goal["outcome"] for goal in more] == ["can_be_met", "can_be_met"]
    assert more[0]["mix"]["moisture_pct"] == pytest.approx(60)
    # 13.5 kg hold 8.925 kg of water: (8.925 − 0.6 · 13.5) / (0.6 − 0.35).
    assert more[0]["amount"] == pytest.approx(3.3)
    assert more[1]["mix"]["cn_ratio"] == pytest.approx(35)
    assert (none[0]["add"], none[0]["unit"]) == ("water", "l")
    assert (none[0]["outcome"], none[0]["amount"]) == ("cannot_be_met", None)


def test_an_ingredient_that_is_not_in_the_pile_may_be_described(call: Call, pile: Pile) -> None:
    call("POST", "/feedstocks/", FEEDSTOCKS, as_="NORTH")
    straw = "&added_moisture_pct=12&added_carbon_pct=48&added_nitrogen_pct=0.6"

    found = recipe(call, pile, f"?cn_goal=40{straw}")["goals"][0]

    assert (found["add"], found["outcome"]) == ("other ingredient", "can_be_met")
    assert found["mix"]["cn_ratio"] == pytest.approx(40)


def test_a_line_without_nitrogen_leaves_the_ratio_open(call: Call, pile: Pile) -> None:
    file = "site,pile,ingredient,wet_mass_kg,moisture_pct,carbon_pct\nNORTH,P1,bark,10,50,48\n"
    call("POST", "/feedstocks/", file, as_="NORTH")

    found = recipe(call, pile, "?cn_goal=30&moisture_goal_pct=60")

    assert found["mix"]["cn_ratio"] is None
    assert found["missing"] == [{"ingredient": "bark", "field": "nitrogen_pct"}]
    assert [goal["outcome"] for goal in found["goals"]] == ["can_be_met", "recipe_incomplete"]
    # 10 kg at 50 %: 2.5 litres make it 7.5 / 12.5.
    assert found["goals"][0]["amount"] == pytest.approx(2.5)


def test_a_pile_without_lines_has_no_mix(call: Call, pile: Pile) -> None:
    found = recipe(call, pile, "?cn_goal=30")

    assert (found["mix"], found["goals"][0]["outcome"]) == (None, "recipe_incomplete")


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("?moisture_goal_pct=wet", "moisture_goal_pct"),
        ("?moisture_goal_pct=nan", "moisture_goal_pct"),
        ("?moisture_goal_pct=100", "moisture_goal_pct"),
        ("?cn_goal=-3", "cn_goal"),
        ("?cn_goal=30&ingredient=gold", "ingredient"),
        ("?cn_goal=30&ingredient=grass&added_carbon_pct=3", "ingredient"),
        ("?goal=30", "goal"),
    ],
)
def test_a_wrong_goal_is_refused_by_name(call: Call, pile: Pile, query: str, field: str) -> None:
    call("POST", "/feedstocks/", FEEDSTOCKS, as_="NORTH")

    answer = call("GET", f"/piles/{pile.pk}/recipe/{query}", as_="NORTH")

    assert (answer.status_code, answer.json()["field"]) == (422, field)
