"""A material over all released trials: what is taken, what is left out, and what is said of it."""

import math
from datetime import timedelta

import numpy as np
import pytest
from django.test import Client
from django.utils import timezone

from registry.models import Release
from registry.science.across_trials import pool_across_trials
from tests import factories

pytestmark = pytest.mark.django_db


def released(material, effects, *, version=1, trial=None, heat_class="all"):
    """A release whose two-stage rate has these log effects, (site, log rate, standard error)."""
    trial = trial or factories.Trial(state="closed")
    trial.materials.add(material)
    run = factories.PoolingRun(trial=trial, state="done", input_digest=f"{version:064x}")
    pooled = factories.PooledEstimate(
        run=run, material=material, outcome="decay_rate", model="two_stage", heat_class=heat_class
    )
    for site, effect, error in effects:
        factories.SiteEstimate(
            pooled=pooled,
            site=site,
            estimate=math.exp(effect),
            log_estimate=effect,
            log_standard_error=error,
        )
    return factories.Release(trial=trial, run=run, version=version)


@pytest.fixture
def sites():
    return [factories.Site() for _ in range(4)]


def ask(**query):
    return Client().get("/api/v1/estimates/across/", query)


def three_trials(material, sites):
    return [
        released(material, [(sites[0], -4.0 + shift, 0.1), (sites[n], -3.8 + shift, 0.12)])
        for n, shift in ((1, 0.0), (2, 0.25), (3, -0.2))
    ]


def test_trials_are_pooled_with_trial_and_site_random(sites):
    material = factories.Material()
    three_trials(material, sites)

    answer = ask(material=material.code).json()

    rows = answer["rows"]
    expected = pool_across_trials(
        np.array([row["log_estimate"] for row in rows]),
        np.array([row["log_standard_error"] ** 2 for row in rows]),
        [row["trial"] for row in rows],
        [row["site"] for row in rows],
        [row["material"] for row in rows],
    )
    assert len(rows) == 6
    assert answer["unit"] == "1/d"
    assert answer["pooled"]["estimate"] == pytest.approx(math.exp(expected.mu), rel=1e-9)
    assert answer["pooled"]["n_trials"] == 3
    # One site took part in all three trials and counts as one.
    assert answer["pooled"]["n_sites"] == 4
    assert answer["pooled"]["pi_low"] < answer["pooled"]["ci_low"]
    assert answer["pooled"]["advised"] is True


def test_only_the_newest_release_of_a_trial_counts(sites):
    material = factories.Material()
    first, *_ = three_trials(material, sites)
    released(material, [(sites[0], -3.0, 0.1)], version=2, trial=first.trial)

    rows = ask(material=material.code).json()["rows"]

    assert [row["log_estimate"] for row in rows if row["trial"] == first.trial.code] == [-3.0]
    assert {row["version"] for row in rows if row["trial"] == first.trial.code} == {2}


def test_an_embargoed_trial_is_left_out_for_everyone(sites):
    material = factories.Material()
    first, *_ = three_trials(material, sites)
    first.trial.embargo_until = timezone.localdate() + timedelta(days=1)
    first.trial.save()

    answer = ask(material=material.code).json()

    assert answer["pooled"]["n_trials"] == 2
    assert first.trial.code not in {row["trial"] for row in answer["rows"]}
    assert "two_trials" in {warning["code"] for warning in answer["warnings"]}


def test_one_trial_is_shown_and_not_pooled_across(sites):
    material = factories.Material()
    released(material, [(sites[0], -4.0, 0.1), (sites[1], -3.8, 0.1)])

    answer = ask(material=material.code).json()

    assert answer["pooled"] is None
    assert len(answer["rows"]) == 2
    assert answer["warnings"][0]["code"] == "not_pooled"


def test_trials_that_differ_too_much_are_said_to(sites):
    material = factories.Material()
    for number, effect in enumerate((-6.0, -4.0, -2.0)):
        released(
            material,
            [(sites[0], effect, 0.05), (sites[number + 1], effect + 0.1, 0.05)],
        )

    answer = ask(material=material.code).json()

    assert answer["pooled"]["advised"] is False
    assert answer["warnings"][0]["code"] == "trials_differ_too_much"


def test_a_family_shares_its_base_component(sites):
    filled, pure, other = (factories.Material() for _ in range(3))
    for material, shares in (
        (filled, (("polyester A", "polymer", 70.0), ("chalk", "filler", 30.0))),
        (pure, (("polyester A", "polymer", 100.0),)),
        (other, (("starch", "polymer", 80.0), ("polyester A", "polymer", 20.0))),
    ):
        for component, function, share in shares:
            factories.Composition(
                material=material, component=component, function=function, mass_pct=share
            )
        three_trials(material, sites)

    answer = ask(family="polyester A").json()

    assert answer["materials"] == sorted([filled.code, pure.code])
    assert answer["pooled"]["tau2_material"] is not None
    assert len(answer["rows"]) == 12


def test_heat_classes_are_pooled_by_themselves(sites):
    material = factories.Material()
    three_trials(material, sites)
    for number in (1, 2):
        released(material, [(sites[number], -3.0, 0.1)], heat_class="hot")

    answer = ask(material=material.code, heat_class="hot").json()

    assert [row["log_estimate"] for row in answer["rows"]] == [-3.0, -3.0]


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ({}, 422),
        ({"material": "A-1", "family": "starch"}, 422),
        ({"material": "NO-SUCH"}, 404),
        ({"family": "no such"}, 404),
        ({"material": "A-1", "outcome": "disintegration_at_day"}, 422),
        ({"material": "A-1", "colour": "red"}, 422),
    ],
)
def test_a_wrong_question_is_answered_with_a_problem(query, status):
    answer = ask(**query)

    assert answer.status_code == status
    assert answer["Content-Type"] == "application/problem+json"


def test_nothing_released_is_an_empty_answer_that_says_so():
    material = factories.Material()
    factories.Trial(state="running").materials.add(material)

    answer = ask(material=material.code).json()

    assert Release.objects.count() == 0
    assert (answer["rows"], answer["pooled"]) == ([], None)
    assert answer["warnings"][0]["code"] == "nothing_released"
