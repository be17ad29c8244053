"""Bags of a simulated trial: where each lies, when it is lifted, what is truly left of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from registry.simulation.plans import Scenario
from registry.simulation.truth import FloatArray, IntArray, Truth


@dataclass(frozen=True, slots=True)
class BagDraw:
    """One entry per bag, all arrays (n_bags,). `day` is the actual day of the last look.

    `true_fraction` is f; `observed_fraction` is y before any accident, uncensored, so it may fall
    below zero. Travel bags have `planned_day` 0.
    """

    label: NDArray[np.str_]
    pile: IntArray
    site: IntArray
    material: IntArray
    planned_day: IntArray
    day: IntArray
    travel: NDArray[np.bool_]
    initial_mass_g: FloatArray
    initial_moisture_pct: FloatArray
    true_fraction: FloatArray
    observed_fraction: FloatArray

    @property
    def oven_dry_mass_g(self) -> FloatArray:
        """(n_bags,) start mass m0, from the masses as they are written down."""
        return self.initial_mass_g * (1.0 - self.initial_moisture_pct / 100.0)


def draw_bags(
    scenario: Scenario, truth: Truth, visit_delay: IntArray, rng: np.random.Generator
) -> BagDraw:
    """Draw every bag. `visit_delay` (n_piles, n_days) days a visit came after its plan."""
    pile, material, planned_day, day, travel = _layout(scenario, truth, visit_delay)
    n = pile.size
    f = fraction_left(scenario, truth, material, pile, day)
    variance = _of(scenario, "a")[material] + _of(scenario, "b")[material] * f**2
    y = f + np.sqrt(variance) * rng.standard_normal(n)
    # Travel bags go in and come out the same day: only weighing error is left.
    y = np.where(travel, 1.0 + 0.004 * rng.standard_normal(n), y)
    # Specimens are cut to within a fifth of the batch's mass, the moisture is the batch's own.
    spread = np.clip(1.0 + 0.05 * rng.standard_normal(n), 0.82, 1.18)
    mass = np.round(_of(scenario, "specimen_g")[material] * spread, 3)
    return BagDraw(
        label=_labels(scenario, truth, pile, rng),
        pile=pile,
        site=truth.site_of_pile[pile],
        material=material,
        planned_day=planned_day,
        day=day,
        travel=travel,
        initial_mass_g=mass,
        initial_moisture_pct=_of(scenario, "moisture_pct")[material],
        true_fraction=f,
        observed_fraction=y,
    )


def fraction_left(
    scenario: Scenario, truth: Truth, material: IntArray, pile: IntArray, day: IntArray
) -> FloatArray:
    """f = exp(−k·max(0, t − L)) of each (material, pile, day); all arrays (n,)."""
    rate = np.exp(truth.log_rate(scenario))[material, pile]
    return np.exp(-rate * np.maximum(0.0, day - _of(scenario, "lag_days")[material]))


def _of(scenario: Scenario, field: str) -> FloatArray:
    return np.array([getattr(material, field) for material in scenario.materials], dtype=float)


def _layout(
    scenario: Scenario, truth: Truth, visit_delay: IntArray
) -> tuple[IntArray, IntArray, IntArray, IntArray, NDArray[np.bool_]]:
    """Pile, material, planned and actual day and whether it travels, bag by bag, pile by pile."""
    n_piles, n_materials = len(truth.pile_codes), len(scenario.materials)
    n_days, n_replicates = len(scenario.schedule_days), scenario.replicates
    shape = (n_piles, n_materials, n_days * n_replicates + scenario.travel_bags)
    pile = np.broadcast_to(np.arange(n_piles)[:, None, None], shape).ravel()
    material = np.broadcast_to(np.arange(n_materials)[None, :, None], shape).ravel()
    look = np.concatenate(
        [np.repeat(np.arange(n_days), n_replicates), np.full(scenario.travel_bags, -1)]
    )
    look = np.broadcast_to(look, shape).ravel()
    travel = look < 0
    planned = np.where(travel, 0, np.array(scenario.schedule_days)[look])
    day = planned + np.where(travel, 0, visit_delay[pile, look])
    return pile, material, planned, day, travel


def _labels(
    scenario: Scenario, truth: Truth, pile: IntArray, rng: np.random.Generator
) -> NDArray[np.str_]:
    """Numbers are drawn, so a label never tells the observer which material is inside."""
    labels = np.empty(pile.size, dtype=object)
    for p, code in enumerate(truth.pile_codes):
        here = np.flatnonzero(pile == p)
        stem = f"{scenario.sites[truth.site_of_pile[p]].code}-{code}-"
        labels[rng.permutation(here)] = [
            f"{stem}{number:04d}" for number in range(1, here.size + 1)
        ]
    return labels.astype(str)
