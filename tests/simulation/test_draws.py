"""The simulated trial follows the model it says it follows."""

import numpy as np
import pytest
from scipy import stats

from registry.simulation.mess import DAMAGED, LOST, NOTHING_LEFT, RECOVERED
from registry.simulation.scenario import demo_scenario, scaled_scenario
from registry.simulation.trial import simulate_trial


def test_a_bag_follows_lag_and_first_order_loss_at_its_piles_own_rate():
    scenario = scaled_scenario(sites=3, piles=2, materials=5, bags=1, clean=True)
    trial = simulate_trial(scenario, 11, with_heat=False)

    for i in range(0, trial.bags.label.size, 17):
        m, p = trial.bags.material[i], trial.bags.pile[i]
        material = scenario.materials[m]
        log_effect = trial.truth.site_effect[m, trial.bags.site[i]] + trial.truth.pile_effect[m, p]
        rate = material.rate_per_day * np.exp(log_effect)
        elapsed = max(0.0, trial.bags.day[i] - material.lag_days)
        assert trial.bags.true_fraction[i] == pytest.approx(np.exp(-rate * elapsed), abs=1e-12)


def test_effects_have_the_spread_they_are_given():
    scenario = scaled_scenario(sites=4000, piles=2, materials=4, bags=1, days=[30], clean=True)
    truth = simulate_trial(scenario, 5, with_heat=False).truth

    for m in (0, 2, 3):
        material = scenario.materials[m]
        # Relative standard error of an SD of n normal draws is 1/sqrt(2n); four of them.
        assert truth.site_effect[m].std() == pytest.approx(
            material.tau_site, rel=4 / np.sqrt(2 * 4000)
        )
        assert truth.pile_effect[m].std() == pytest.approx(
            material.tau_pile, rel=4 / np.sqrt(2 * 8000)
        )
        assert stats.kstest(truth.site_effect[m] / material.tau_site, "norm").pvalue > 1e-3


def test_weighing_errors_have_the_declared_variance():
    scenario = scaled_scenario(sites=10, piles=4, materials=6, bags=20, clean=True)
    bags = simulate_trial(scenario, 6, with_heat=False).bags
    sample = ~bags.travel
    a = np.array([m.a for m in scenario.materials])[bags.material]
    b = np.array([m.b for m in scenario.materials])[bags.material]
    z = (bags.observed_fraction - bags.true_fraction) / np.sqrt(a + b * bags.true_fraction**2)

    assert z[sample].mean() == pytest.approx(0, abs=4 / np.sqrt(sample.sum()))
    assert z[sample].std() == pytest.approx(1, abs=4 / np.sqrt(2 * sample.sum()))


def test_a_clean_trial_has_only_weighings_and_true_zeros():
    trial = simulate_trial(demo_scenario(clean=True), 2025)
    bags, seen = trial.bags, trial.outcomes

    assert set(seen.outcome) == {RECOVERED, NOTHING_LEFT}
    assert (bags.day == bags.planned_day).all()
    assert ((bags.observed_fraction <= 0.02) == (seen.outcome == NOTHING_LEFT)).all()
    weighed = seen.outcome == RECOVERED
    assert (seen.residue_fraction[weighed] == bags.observed_fraction[weighed]).all()
    assert trial.fahrenheit is None
    assert trial.logger_out is None


def test_the_mess_changes_neither_truth_nor_weighing_errors():
    clean = simulate_trial(demo_scenario(clean=True), 4, with_heat=False)
    messy = simulate_trial(demo_scenario(), 4, with_heat=False)
    same_day = clean.bags.day == messy.bags.day

    assert (clean.truth.site_effect == messy.truth.site_effect).all()
    assert same_day.mean() > 0.5
    assert (clean.bags.observed_fraction[same_day] == messy.bags.observed_fraction[same_day]).all()


def test_accidents_come_at_the_rates_of_the_scenario():
    scenario = scaled_scenario(sites=20, piles=4, materials=12, bags=4)
    trial = simulate_trial(scenario, 9, with_heat=False)
    sample = ~trial.bags.travel
    n = sample.sum()

    for outcome, share in ((LOST, scenario.mess.lost), (DAMAGED, scenario.mess.damaged)):
        observed = (trial.outcomes.outcome[sample] == outcome).mean()
        assert observed == pytest.approx(share, abs=4 * np.sqrt(share / n))


def test_polyethylene_stays_and_the_cellulose_control_goes():
    trial = simulate_trial(demo_scenario(), 2025, with_heat=False)
    seen = trial.outcomes.residue_fraction
    polyethylene = (trial.bags.material == 1) & (trial.outcomes.outcome == RECOVERED)
    cellulose_late = (trial.bags.material == 0) & (trial.bags.planned_day >= 84)
    ordinary = trial.bags.pile != trial.outcomes.rough_pile

    assert np.abs(seen[polyethylene & ordinary].mean() - 1) < 0.01
    assert seen[polyethylene & ~ordinary].mean() < 0.97
    assert (trial.bags.true_fraction[cellulose_late] < 0.3).all()


def test_scores_follow_the_mass_left():
    trial = simulate_trial(demo_scenario(), 2025, with_heat=False)
    sample = ~trial.bags.travel

    rank = stats.spearmanr(
        trial.scores["fragmentation"][sample], trial.bags.true_fraction[sample]
    ).statistic

    assert rank < -0.9
    gone = trial.outcomes.outcome == NOTHING_LEFT
    assert (trial.scores["fragmentation"][gone] == 5).all()
    assert (trial.scores["fragmentation"][~gone] < 5).all()
