"""One simulated trial, drawn from a scenario and a seed."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from registry.simulation.bags import BagDraw, draw_bags
from registry.simulation.heat import ProbeSeries, air_c, core_c, left_out, read_by
from registry.simulation.mess import NOTHING_LEFT, Outcomes, visit_delays, weigh
from registry.simulation.pile_care import Recipe, draw_recipe, turning_hours
from registry.simulation.plans import Scenario
from registry.simulation.scores import Scores, draw_scores
from registry.simulation.truth import IntArray, Truth, draw_truth, truth_record

# Readings go on for a day after the last look.
HOURS_AFTER_LAST_LOOK = 24
# Share of probes taken out at the second turning and forgotten: the first hour outside.
LEFT_OUT_AT_TURNING = 1


@dataclass(frozen=True, slots=True)
class PileCare:
    """What happens to a pile besides its bags. `turned` (n,) hours since it was built."""

    recipe: Recipe
    turned: IntArray
    probes: tuple[ProbeSeries, ...]


@dataclass(frozen=True, slots=True)
class SimulatedTrial:
    """A trial as drawn. `watched` indexes the bags that are scored in place on the way."""

    scenario: Scenario
    seed: int
    truth: Truth
    bags: BagDraw
    outcomes: Outcomes
    scores: Scores
    watched: IntArray
    piles: tuple[PileCare, ...]
    fahrenheit: tuple[int, str] | None
    logger_out: tuple[int, str, int, int] | None


def simulate_trial(scenario: Scenario, seed: int, *, with_heat: bool = True) -> SimulatedTrial:
    """Draw a trial. The same scenario and seed give the same trial, bit for bit.

    Each part has its own stream of random numbers, so truth and weighing errors are the same with
    the mess and without it. `with_heat=False` leaves the temperatures out (for benches).
    """
    streams = [np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(6)]
    for_truth, for_bags, for_visits, for_mess, for_scores, for_heat = streams
    truth = draw_truth(scenario, for_truth)
    delay, late = visit_delays(scenario, truth, for_visits)
    bags = draw_bags(scenario, truth, delay, for_bags)
    outcomes = weigh(scenario, truth, bags, late, for_mess)
    scores = draw_scores(bags.true_fraction, outcomes.outcome == NOTHING_LEFT, for_scores)
    fahrenheit, out = (None, None) if scenario.mess is None else _odd_loggers(scenario, truth)
    return SimulatedTrial(
        scenario=scenario,
        seed=seed,
        truth=truth,
        bags=bags,
        outcomes=outcomes,
        scores=scores,
        watched=_watched(scenario, bags),
        piles=_care(scenario, truth, out, for_heat, with_heat),
        fahrenheit=fahrenheit if with_heat else None,
        logger_out=out if with_heat else None,
    )


def true_parameters(trial: SimulatedTrial) -> dict[str, Any]:
    """The truth beside the files: parameters, seed, and where the mess is."""
    bags, outcomes, scenario = trial.bags, trial.outcomes, trial.scenario
    record = truth_record(scenario, trial.truth) | {"seed": trial.seed, "trial": scenario.trial}
    if scenario.mess is None:
        return record
    dirty = np.flatnonzero(outcomes.stuck_fraction > 0)
    late_pile, late_look = outcomes.late_visit
    record["mess"] = {
        "rough_sieving_at": _place(trial, outcomes.rough_pile),
        "late_visit": {
            "pile": _place(trial, late_pile),
            "planned_days": scenario.schedule_days[late_look],
        },
        "contaminated": {
            str(bags.label[i]): round(float(outcomes.stuck_fraction[i]), 6) for i in dirty
        },
    }
    if trial.fahrenheit is not None:
        pile, probe = trial.fahrenheit
        record["mess"]["fahrenheit"] = {"pile": _place(trial, pile), "probe": probe}
    if trial.logger_out is not None:
        pile, probe, start, hours = trial.logger_out
        record["mess"]["logger_out"] = {
            "pile": _place(trial, pile),
            "probe": probe,
            "first_hour": start,
            "hours": hours,
        }
    return record


def _place(trial: SimulatedTrial, pile: int) -> str:
    site = trial.scenario.sites[trial.truth.site_of_pile[pile]]
    return f"{site.code}/{trial.truth.pile_codes[pile]}"


def _watched(scenario: Scenario, bags: BagDraw) -> IntArray:
    """At every other site, the first bags of the last look are scored in place on the way."""
    last = np.flatnonzero(
        (bags.planned_day == max(scenario.schedule_days)) & ~bags.travel & (bags.site % 2 == 0)
    )
    group = bags.pile[last] * len(scenario.materials) + bags.material[last]
    order = np.arange(last.size) - np.searchsorted(group, group)
    return last[order < min(scenario.watched_bags, scenario.replicates)]


def _n_probes(pile: int) -> int:
    return 1 + pile % 2


def _odd_loggers(
    scenario: Scenario, truth: Truth
) -> tuple[tuple[int, str] | None, tuple[int, str, int, int] | None]:
    """Which probe writes Fahrenheit, and which lay beside its pile: the hottest with two probes."""
    imperial = [p for p, s in enumerate(truth.site_of_pile) if scenario.sites[s].fahrenheit]
    fahrenheit = (imperial[0] if imperial else 0, "CORE")
    paired = [p for p in range(len(truth.pile_codes)) if _n_probes(p) == 2 and p != fahrenheit[0]]
    if not paired or scenario.mess is None:
        return fahrenheit, None
    pile = max(paired, key=lambda p: truth.peak_c[p])
    turned = turning_hours(scenario, truth.pile_kinds[pile])
    if turned.size == 0:
        return fahrenheit, None
    start = int(turned[min(LEFT_OUT_AT_TURNING, turned.size - 1)])
    return fahrenheit, (pile, "EDGE", start, scenario.mess.logger_out_hours)


def _care(
    scenario: Scenario,
    truth: Truth,
    out: tuple[int, str, int, int] | None,
    rng: np.random.Generator,
    with_heat: bool,
) -> tuple[PileCare, ...]:
    hours = max(scenario.schedule_days) * 24 + HOURS_AFTER_LAST_LOOK
    piles = []
    for p, kind in enumerate(truth.pile_kinds):
        recipe, turned = draw_recipe(kind, rng), turning_hours(scenario, kind)
        probes: tuple[ProbeSeries, ...] = ()
        if with_heat:
            air = air_c(scenario.sites[truth.site_of_pile[p]], hours, rng)
            core = core_c(air, float(truth.peak_c[p]), turned, rng)
            probes = (read_by("CORE", core, 0.0, rng),)
            if _n_probes(p) == 2:
                # Nearer the surface: a part of the way from the core to the air.
                edge = read_by("EDGE", core - 0.12 * (core - air), 0.2, rng)
                if out is not None and out[0] == p:
                    edge = left_out(edge, air, out[2], out[3])
                probes = (*probes, edge)
        piles.append(PileCare(recipe, turned, probes))
    return tuple(piles)
