"""What goes wrong between the pile and the balance."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from registry.simulation.bags import BagDraw
from registry.simulation.plans import Mess, Scenario
from registry.simulation.truth import FloatArray, IntArray, Truth

RECOVERED, NOTHING_LEFT, LOST, DAMAGED = "recovered", "nothing_left", "bag_lost", "bag_damaged"
# Ash of finished compost, of dry mass (common practice, no source).
COMPOST_ASH = 0.55


@dataclass(frozen=True, slots=True)
class Outcomes:
    """One entry per bag, arrays (n_bags,): what the balance room writes down.

    `residue_fraction` of the oven-dry start mass, compost included, NaN when nothing was weighed;
    `stuck_fraction` the compost in it; `ash`, `contaminant_ash` fractions of dry mass, NaN when not
    measured. `rough_pile` and `late_visit` (pile, look) say where; −1 for none.
    """

    outcome: NDArray[np.str_]
    residue_fraction: FloatArray
    stuck_fraction: FloatArray
    ash: FloatArray
    contaminant_ash: FloatArray
    rough_pile: int
    late_visit: tuple[int, int]


def visit_delays(
    scenario: Scenario, truth: Truth, rng: np.random.Generator
) -> tuple[IntArray, tuple[int, int]]:
    """(n_piles, n_days) days after plan, within a day either way, but for one late visit."""
    shape = (len(truth.pile_codes), len(scenario.schedule_days))
    if scenario.mess is None:
        return np.zeros(shape, dtype=np.int64), (-1, -1)
    delay = rng.choice([-1, 0, 0, 0, 1], size=shape)
    late = (int(rng.integers(shape[0])), shape[1] // 2)
    delay[late] = scenario.mess.late_days
    return _in_order(np.array(scenario.schedule_days), delay), late


def _in_order(schedule: IntArray, delay: IntArray) -> IntArray:
    """Keep visits of a pile on different days and in order, however close the schedule is."""
    day = np.maximum(schedule + delay, 1)
    for look in range(1, schedule.size):
        day[:, look] = np.maximum(day[:, look], day[:, look - 1] + 1)
    return day - schedule


def weigh(
    scenario: Scenario,
    truth: Truth,
    bags: BagDraw,
    late_visit: tuple[int, int],
    rng: np.random.Generator,
) -> Outcomes:
    """Turn what is truly left into outcomes, with the scenario's accidents."""
    n = bags.pile.size
    mess = scenario.mess
    y = bags.observed_fraction
    stuck, ash, compost_ash = np.zeros(n), np.full(n, np.nan), np.full(n, np.nan)
    outcome = np.full(n, RECOVERED, dtype="U12")
    rough = -1
    if mess is not None:
        rough = int(rng.integers(len(truth.pile_codes)))
        loss = np.where(bags.pile == rough, mess.rough_handling_loss, mess.handling_loss)
        y = y * (1.0 - loss)
    outcome[y <= scenario.detection_limit] = NOTHING_LEFT
    if mess is not None:
        dirty = _dirty(mess, scenario, bags, rng) & (outcome == RECOVERED)
        stuck[dirty] = _stuck(mess, int(dirty.sum()), rng)
        ash, compost_ash = _ashed(mess, scenario, bags, y, stuck, rng)
        lot = np.where(bags.travel, 1.0, rng.random(n))
        outcome[lot < mess.lost + mess.damaged] = DAMAGED
        outcome[lot < mess.lost] = LOST
    weighed = outcome == RECOVERED
    return Outcomes(
        outcome=outcome,
        residue_fraction=np.where(weighed, y + stuck, np.nan),
        stuck_fraction=np.where(weighed, stuck, 0.0),
        ash=np.where(weighed, ash, np.nan),
        contaminant_ash=np.where(weighed, compost_ash, np.nan),
        rough_pile=rough,
        late_visit=late_visit,
    )


def _dirty(
    mess: Mess, scenario: Scenario, bags: BagDraw, rng: np.random.Generator
) -> NDArray[np.bool_]:
    holds = np.array([material.holds_compost for material in scenario.materials])
    share = mess.contaminated * holds[bags.material]
    return (rng.random(bags.pile.size) < share) & ~bags.travel


def _stuck(mess: Mess, n: int, rng: np.random.Generator) -> FloatArray:
    low, high = np.log(mess.contamination_low), np.log(mess.contamination_high)
    return np.exp(rng.uniform(low, high, n))


def _ashed(
    mess: Mess,
    scenario: Scenario,
    bags: BagDraw,
    y: FloatArray,
    stuck: FloatArray,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Ash of residue and of the compost around it, for the share of dirty bags that is ashed."""
    n = stuck.size
    start = np.array([material.ash_pct for material in scenario.materials])[bags.material] / 100.0
    # A furnace repeats to about half a point of ash.
    compost = np.clip(COMPOST_ASH + 0.05 * rng.standard_normal(n), 0.40, 0.70)
    true_ash = (y * start + stuck * compost) / np.maximum(y + stuck, 1e-9)
    ash = np.clip(true_ash + 0.005 * rng.standard_normal(n), 0.0, 1.0)
    done = (stuck > 0) & (rng.random(n) < mess.ash_measured)
    return np.where(done, ash, np.nan), np.where(done, compost, np.nan)
