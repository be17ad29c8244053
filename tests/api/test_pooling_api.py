"""From files to pooled numbers through the API, with the job run in this process."""

import pytest

from registry.models import Material, PooledEstimate, PoolingRun, Retrieval
from registry.services import pooling
from tests import factories, sample_files
from tests.world import Call


@pytest.mark.usefixtures("looked_at")
def test_same_data_give_the_same_run(call: Call) -> None:
    first = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator")
    again = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator")

    assert (first.status_code, again.status_code) == (202, 200)
    assert first.json()["id"] == again.json()["id"]
    assert PoolingRun.objects.count() == 1


@pytest.mark.usefixtures("looked_at")
def test_run_is_executed_once_and_its_estimates_are_served(call: Call) -> None:
    run = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator").json()

    assert pooling.execute_run(run["id"])
    assert not pooling.execute_run(run["id"])

    done = call("GET", f"/pooling-runs/{run['id']}/", as_="coordinator").json()
    assert (done["state"], done["attempt"], done["error"]) == ("done", 1, "")
    rates = call("GET", "/estimates/?outcome=decay_rate&material=PAPER", as_="coordinator").json()
    found = rates["results"][0]
    assert "curve" not in found
    assert found["n_sites"] == 2
    assert found["estimate"] == pytest.approx(sample_files.RATE_PER_DAY["PAPER"], rel=0.1)
    whole = call("GET", f"/estimates/{found['id']}/", as_="coordinator").json()
    assert {part["site"] for part in whole["sites"]} == {"NORTH", "SOUTH"}
    assert whole["pi_low"] is None, "two sites predict nothing about a third"


@pytest.mark.usefixtures("looked_at")
def test_what_may_explain_the_rates_is_served_and_two_sites_do_not_answer(call: Call) -> None:
    run = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator").json()
    pooling.execute_run(run["id"])

    served = call("GET", "/explanations/?kind=mean_temperature&material=FILM-A", as_="NORTH").json()

    (found,) = served["results"]
    assert (found["run"], found["trial"], found["subject"]) == (run["id"], "TRIAL-1", "FILM-A")
    assert found["code"] in ("no_rates", "few_sites")
    assert found["message"]
    assert found["slope"] is None
    assert found["r2_pct"] is None
    whole = call("GET", f"/explanations/{found['id']}/", as_="coordinator").json()
    assert len(whole["points"]) == found["n_rows"]
    assert call("GET", "/explanations/").json()["results"] == []


@pytest.mark.usefixtures("looked_at")
def test_another_composition_or_thickness_makes_a_new_run(call: Call) -> None:
    first = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator").json()
    pooling.execute_run(first["id"])
    Material.objects.filter(code="PAPER").update(thickness_um=123.0)
    thicker = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator").json()
    parts = "material,component,function,mass_pct\nPAPER,cellulose,fibre,100\n"
    call("POST", "/compositions/", parts, as_="coordinator")

    made = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator").json()

    assert len({run["input_digest"] for run in (first, thicker, made)}) == 3


@pytest.mark.usefixtures("looked_at")
def test_correction_or_new_look_makes_a_new_run(call: Call) -> None:
    first = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator").json()
    pooling.execute_run(first["id"])
    numbers = list(
        PooledEstimate.objects.filter(run=first["id"]).values_list("estimate", flat=True)
    )
    extra = (
        "trial,site,pile,bag_label,material,buried_on,initial_mass_g\n"
        "TRIAL-1,NORTH,P1,EXTRA,PAPER,2026-04-07,10\n"
    )
    call("POST", "/bags/", extra, as_="NORTH")
    look = (
        "trial,bag_label,retrieved_on,outcome,dry_mass_g\nTRIAL-1,EXTRA,2026-05-05,recovered,2.5\n"
    )
    call("POST", "/retrievals/", look, as_="NORTH")

    second = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator")

    assert second.status_code == 202
    assert second.json()["input_digest"] != first["input_digest"]
    assert (
        list(PooledEstimate.objects.filter(run=first["id"]).values_list("estimate", flat=True))
        == numbers
    )


@pytest.mark.usefixtures("looked_at")
def test_an_estimate_names_what_was_left_out_when_its_run_began_and_why(call: Call) -> None:
    first, second = Retrieval.objects.filter(bag__material__code="PAPER").order_by("pk")[:2]
    decide = {"decision": "exclude", "reason": "soil on the dish"}
    flags = [factories.Flag(pile=look.bag.pile, retrieval=look) for look in (first, second)]
    call("POST", f"/flags/{flags[0].pk}/decision/", decide, as_="coordinator")
    run = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator").json()
    pooling.execute_run(run["id"])
    call("POST", f"/flags/{flags[1].pk}/decision/", decide, as_="coordinator")

    told = {
        found.material.code: call("GET", f"/estimates/{found.pk}/", as_="coordinator").json()
        for found in PooledEstimate.objects.filter(run=run["id"], outcome="decay_rate")
    }

    assert told["PAPER"]["exclusions"] == [
        {"code": flags[0].code, "reason": "soil on the dish", "n_looks": 1}
    ]
    assert told["PAPER"]["n_excluded"] == 1
    assert told["FILM-A"]["exclusions"] == []


def test_trial_without_looks_cannot_be_pooled(call: Call) -> None:
    answer = call("POST", "/trials/TRIAL-1/pooling-runs/", as_="coordinator")

    assert (answer.status_code, answer.json()["code"]) == (409, "nothing_to_pool")


@pytest.mark.usefixtures("looked_at")
def test_lab_may_not_ask_for_pooling(call: Call) -> None:
    assert call("POST", "/trials/TRIAL-1/pooling-runs/", as_="NORTH").status_code == 403
    assert call("POST", "/trials/TRIAL-1/pooling-runs/").status_code == 401
    assert call("POST", "/trials/TRIAL-1/pooling-runs/", as_="other coordinator").status_code == 403
