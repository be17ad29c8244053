"""`coheap plan`: the same answers on the command line, with drawn trials and their progress."""

import json
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from registry.queries.plan_fields import FIELDS
from tests import factories

TYPED = ("--rate-per-day", "0.03", "--decay-tau2-site", "0.1", "--decay-a", "0.0004")


def run(*arguments: str) -> tuple[str, str]:
    out, err = StringIO(), StringIO()
    call_command("plan", *arguments, stdout=out, stderr=err)
    return out.getvalue(), err.getvalue()


def test_typed_variances_need_no_database() -> None:
    # No mark for the database: a query would fail this test.
    out, err = run(*TYPED, "--sites", "5", "--goal-factor", "1.5")

    assert "5 sites × 3 piles × 4 materials × 3 bags × 6 looks = 1080 bags" in out
    assert "Days to 90 % are expected to be known from" in out
    assert "Goal: The cheapest:" in out
    assert err == ""


def test_drawn_trials_show_how_far_they_are() -> None:
    out, err = run(*TYPED, "--sites", "4", "--bags", "2", "--simulations", "3", "--seed", "2")

    assert "3/3 trials" in err
    assert "in 3 of 3 trials" in out
    assert "seed 2" in out


def test_json_holds_every_number() -> None:
    out, _ = run(*TYPED, "--json", "--goal-factor", "1.001")

    told = json.loads(out)
    assert told["cheapest"]["outcome"] == "out_of_reach"
    assert told["days_to_90"]["factor"] > 1
    assert told["simulated"] is None


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--sites", "1"), "sites is 2 to 200"),
        (("--rate-per-day", "0.03"), "decay_tau2_site is missing"),
        (("--simulations", "3"), "needs the decay rate"),
        (("--simulations", "some"), "whole number"),
    ],
)
def test_wrong_options_are_sentences(arguments: tuple[str, ...], words: str) -> None:
    with pytest.raises(CommandError, match=words):
        run(*arguments)


@pytest.mark.django_db
def test_an_operator_plans_from_a_finished_run() -> None:
    coordinator = factories.User(is_coordinator=True)
    trial = factories.Trial(code="POTS", state="closed", schedule_days=[14, 28])
    trial.coordinators.add(coordinator)
    done = factories.PoolingRun(trial=trial, state="done")
    rate = factories.PooledEstimate(
        run=done,
        outcome="decay_rate",
        model="one_stage",
        estimate=0.05,
        tau2_site=0.1,
        tau2_pile=0.02,
        residual_a=0.001,
        residual_b=0.0,
    )

    by_trial, _ = run("--trial", "POTS", "--material", rate.material.code)
    by_run, _ = run("--run", str(done.pk), "--material", rate.material.code)

    assert by_trial == by_run
    assert f"pooling run {done.pk} of trial POTS" in by_run
    assert "× 2 looks" in by_run
    with pytest.raises(CommandError, match="There is no trial"):
        run("--trial", "NONE", "--material", "X")
    with pytest.raises(CommandError, match="no finished pooling run"):
        run("--run", str(done.pk + 1), "--material", "X")


def test_every_field_has_a_meaning_and_a_range() -> None:
    names = [field.name for field in FIELDS]

    assert len(names) == len(set(names))
    assert all(field.meaning and field.low <= field.high for field in FIELDS)
