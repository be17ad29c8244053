"""Planning over the API: variances from a run or typed in, and what is refused."""

import math

import pytest

from registry.models import PooledEstimate, PoolingRun
from tests import factories
from tests.world import Call, World

TYPED = "rate_per_day=0.03&lag_days=5&decay_tau2_site=0.1&decay_tau2_pile=0.03&decay_a=0.0004"
ON_DAY = "day_tau2_site=30&day_tau2_site_material=15&day_residual=25"


@pytest.fixture
def run(world: World) -> PoolingRun:
    """A finished run of the trial with what planning needs of FILM-A."""
    run = factories.PoolingRun(trial=world.trial, state="done", input_digest="1" * 64)
    film = world.trial.materials.get(code="FILM-A")
    common = {"run": run, "material": film, "n_sites": 2}
    factories.PooledEstimate(
        **common,
        outcome="decay_rate",
        model="one_stage",
        unit="1/d",
        estimate=0.04,
        tau2_site=0.09,
        tau2_pile=0.02,
        lag_days=6.0,
        residual_a=0.0009,
        residual_b=0.004,
    )
    factories.PooledEstimate(
        **common,
        outcome="disintegration_at_day",
        model="fixed_day",
        day=28,
        unit="%",
        tau2_site=50.0,
        tau2_site_material=20.0,
        tau2_pile=None,
        residual_variance=16.0,
    )
    return run


def plan(call: Call, query: str, *, as_: str | None = None) -> dict:
    answer = call("GET", f"/plan/?{query}", as_=as_)
    assert answer.status_code == 200, answer.json()
    return answer.json()


def test_typed_variances_are_answered_without_a_token(call: Call) -> None:
    found = plan(call, f"{TYPED}&{ON_DAY}&sites=5&piles=2&bags=3&days=14,28,56&difference=15")

    assert found["plan"]["n_bags"] == 5 * 2 * 4 * 3 * 3
    assert found["days_to_90"]["typical"] == pytest.approx(5 + math.log(10) / 0.03)
    assert found["days_to_90"]["outcome"] == "expected"
    assert 0 < found["comparison"]["power"] < 1
    assert found["cheapest"]["outcome"] == "not_asked"
    assert found["simulated"] is None
    assert found["assumed"]["taken_from"] == "typed in"


def test_the_variances_of_a_run_are_taken_and_may_be_changed(call: Call, run: PoolingRun) -> None:
    of_run = plan(call, f"run={run.pk}&material=FILM-A", as_="NORTH")
    of_trial = plan(call, "trial=TRIAL-1&material=FILM-A&decay_tau2_site=0.3", as_="NORTH")

    assumed = of_run["assumed"]
    assert assumed["decay"] == {
        "rate_per_day": 0.04,
        "lag_days": 6.0,
        "tau2_site": 0.09,
        "tau2_pile": 0.02,
        "a": 0.0009,
        "b": 0.004,
    }
    assert assumed["on_day"] == {
        "site": 30.0,
        "site_material": 20.0,
        "pile": 0.0,
        "pile_material": 0.0,
        "residual": 16.0,
    }
    assert assumed["days"] == [14, 28, 42]
    assert any("Piles could not be told from sites" in note for note in assumed["notes"])
    assert any("2 sites" in note for note in assumed["notes"])
    assert of_trial["assumed"]["decay"]["tau2_site"] == 0.3
    assert of_trial["days_to_90"]["factor"] > of_run["days_to_90"]["factor"]


def test_a_run_without_variances_says_so_and_gives_no_number(call: Call, run: PoolingRun) -> None:
    paper = factories.Material(code="GONE")
    factories.PooledEstimate(run=run, material=paper, outcome="decay_rate", model="one_stage")

    found = plan(call, f"run={run.pk}&material=GONE", as_="coordinator")

    assert found["days_to_90"]["outcome"] == found["comparison"]["outcome"] == "not_given"
    assert any("pool the trial again" in note for note in found["assumed"]["notes"])


def test_a_goal_has_a_cheapest_plan_or_is_out_of_reach(call: Call) -> None:
    near = plan(call, f"{TYPED}&goal_factor=1.4&cost_site=300&cost_pile=20&cost_bag=2")["cheapest"]
    far = plan(call, f"{TYPED}&goal_factor=1.01&most_sites=8")["cheapest"]

    assert near["outcome"] == "found"
    assert near["days_to_90"]["factor"] <= 1.4
    assert near["cost"] == (
        300 * near["plan"]["sites"]
        + 20 * near["plan"]["sites"] * near["plan"]["piles"]
        + 2 * near["plan"]["n_bags"]
    )
    assert far["outcome"] == "out_of_reach"
    assert far["plan"]["sites"] == 8
    assert "wanted 1.01" in far["message"]


def test_a_few_drawn_trials_stand_beside_the_formula_for_known_callers(call: Call) -> None:
    query = f"{TYPED}&sites=4&piles=2&bags=2&simulations=5&seed=3"

    stranger = call("GET", f"/plan/?{query}")
    found = plan(call, query, as_="NORTH")["simulated"]

    assert stranger.status_code == 401
    assert (found["n_trials"], found["seed"]) == (5, 3)
    assert found["outcomes"] == [{"outcome": "estimated", "trials": 5}]
    assert found["factor"] == pytest.approx(math.exp(found["half_width"]))


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("sites=1", "sites"),
        ("sites=4.5", "sites"),
        ("piles=9999999999999999999999", "piles"),
        ("rate_per_day=nan", "rate_per_day"),
        ("rate_per_day=1e-400", "rate_per_day"),
        ("rate_per_day=0.03", "decay_tau2_site"),
        ("day_tau2_site=3", "day_residual"),
        ("days=", None),
        ("days=0,14", "days"),
        ("days=14;28", "days"),
        ("days=" + ",".join(["14"] * 31), "days"),
        ("cost_site=0&cost_pile=0&cost_bag=0", "cost_bag"),
        ("colour=red", "colour"),
        ("run=1&trial=TRIAL-1", "run"),
        ("simulations=26", "simulations"),
        ("material=%00", "material"),
    ],
)
def test_wrong_values_are_refused_by_name(call: Call, query: str, field: str | None) -> None:
    answer = call("GET", f"/plan/?{query}")

    if field is None:
        assert answer.status_code == 200
    else:
        assert (answer.status_code, answer.json()["field"]) == (422, field)


def test_a_run_needs_a_material_it_has(call: Call, run: PoolingRun) -> None:
    without = call("GET", f"/plan/?run={run.pk}", as_="NORTH")
    other = call("GET", f"/plan/?run={run.pk}&material=PAPER", as_="NORTH")
    unseen = call("GET", f"/plan/?run={run.pk}&material=FILM-A")
    waiting = factories.PoolingRun(trial=run.trial, input_digest="2" * 64)
    unfinished = call("GET", f"/plan/?run={waiting.pk}&material=FILM-A", as_="NORTH")

    assert (without.status_code, without.json()["field"]) == (422, "material")
    assert (other.status_code, other.json()["field"]) == (422, "material")
    assert (unseen.status_code, unfinished.status_code) == (404, 404)
    assert PooledEstimate.objects.filter(run=run).count() == 2


def test_too_many_piles_are_for_the_command(call: Call) -> None:
    answer = call("GET", f"/plan/?{TYPED}&sites=100&piles=5&simulations=1", as_="NORTH")

    assert (answer.status_code, answer.json()["field"]) == (422, "simulations")
    assert "coheap plan" in answer.json()["detail"]
