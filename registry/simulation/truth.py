"""The true parameters of a simulated trial: effects of sites and piles, and each pile's heat."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from registry.simulation.plans import Scenario

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Hottest temperature reached in a pile of middling heat, and its change per unit of heat index.
PEAK_C = 54.0
PEAK_STEP_C = 10.0
PEAK_RANGE_C = (27.0, 73.0)
# Enclosed and large piles keep their heat, small ones lose it (common practice, no source).
KIND_HEAT = {"windrow": 0.5, "in_vessel": 0.7, "heap": 0.2, "tumbler": -0.7, "bin": -0.8}


@dataclass(frozen=True, slots=True)
class Truth:
    """`site_of_pile` (n_piles,) index into sites; `site_effect` u (n_materials, n_sites) and
    `pile_effect` d (n_materials, n_piles) on the log rate; `peak_c` (n_piles,) °C."""

    pile_codes: tuple[str, ...]
    pile_kinds: tuple[str, ...]
    site_of_pile: IntArray
    site_effect: FloatArray
    pile_effect: FloatArray
    peak_c: FloatArray

    def log_rate(self, scenario: Scenario) -> FloatArray:
        """(n_materials, n_piles) log k per day; −inf for an item that does not decay."""
        with np.errstate(divide="ignore"):
            mu = np.log([material.rate_per_day for material in scenario.materials])
        return mu[:, None] + self.site_effect[:, self.site_of_pile] + self.pile_effect


def draw_truth(scenario: Scenario, rng: np.random.Generator) -> Truth:
    """Draw u and d: a part shared by all materials of a place, and a part of each material's own.

    Heat follows the shared part, so hot piles are, on the whole, fast piles; the effects stay
    exactly normal with the scenario's variances.
    """
    kinds = tuple(kind for site in scenario.sites for kind in site.pile_kinds)
    codes = tuple(f"P{p + 1}" for site in scenario.sites for p in range(len(site.pile_kinds)))
    site_of_pile = np.repeat(
        np.arange(len(scenario.sites)), [len(site.pile_kinds) for site in scenario.sites]
    )
    z_site = rng.standard_normal(len(scenario.sites))
    z_pile = rng.standard_normal(len(kinds))
    own_site = rng.standard_normal((len(scenario.materials), len(scenario.sites)))
    own_pile = rng.standard_normal((len(scenario.materials), len(kinds)))
    own_heat = rng.standard_normal(len(kinds))
    shared = np.array([material.shared for material in scenario.materials])[:, None]
    tau_site = np.array([material.tau_site for material in scenario.materials])[:, None]
    tau_pile = np.array([material.tau_pile for material in scenario.materials])[:, None]
    heat = (
        np.array([KIND_HEAT[kind] for kind in kinds])
        + 0.55 * z_site[site_of_pile]
        + 0.55 * z_pile
        + 0.6 * own_heat
    )
    return Truth(
        pile_codes=codes,
        pile_kinds=kinds,
        site_of_pile=site_of_pile,
        site_effect=tau_site * (np.sqrt(shared) * z_site + np.sqrt(1 - shared) * own_site),
        pile_effect=tau_pile * (np.sqrt(shared) * z_pile + np.sqrt(1 - shared) * own_pile),
        peak_c=np.clip(PEAK_C + PEAK_STEP_C * heat, *PEAK_RANGE_C),
    )


def truth_record(scenario: Scenario, truth: Truth) -> dict[str, Any]:
    """The parameters as JSON; keys of a pile are `site/pile`. `mu` is null where nothing decays."""
    places = [
        f"{scenario.sites[s].code}/{code}"
        for s, code in zip(truth.site_of_pile, truth.pile_codes, strict=True)
    ]
    materials = {}
    for m, material in enumerate(scenario.materials):
        materials[material.code] = {
            "mu": float(np.log(material.rate_per_day)) if material.rate_per_day > 0 else None,
            "rate_per_day": material.rate_per_day,
            "lag_days": material.lag_days,
            "tau_site": material.tau_site,
            "tau_pile": material.tau_pile,
            "residual_a": material.a,
            "residual_b": material.b,
            "site_effects": dict(
                zip([s.code for s in scenario.sites], truth.site_effect[m].tolist(), strict=True)
            ),
            "pile_effects": dict(zip(places, truth.pile_effect[m].tolist(), strict=True)),
        }
    return {
        "model": "log k = mu + u_site + d_pile; f = exp(-k max(0, t - lag)); Var = a + b f^2",
        "materials": materials,
        "detection_limit": scenario.detection_limit,
        "peak_c": dict(zip(places, np.round(truth.peak_c, 1).tolist(), strict=True)),
    }
