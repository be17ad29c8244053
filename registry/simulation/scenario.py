"""The demonstration scenario, and scaled ones with numbered places and items beyond it."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from typing import TypeVar

import numpy as np

from registry.simulation.demo_materials import DEMO_MATERIALS
from registry.simulation.demo_sites import DEMO_SITES
from registry.simulation.plans import MaterialPlan, Mess, Scenario, SitePlan

SCHEDULE_DAYS = tuple(range(14, 113, 14))
PRIMARY_DAY = 84
KINDS = ("windrow", "heap", "bin", "in_vessel", "tumbler")
ZONES = (("FR", "Europe/Paris", 47.0, 2.0), ("CA", "America/Toronto", 44.5, -79.0))
# The numbered items are the same whatever the seed of a trial.
ITEM_SEED = 74_203
T = TypeVar("T")


def demo_scenario(*, clean: bool = False) -> Scenario:
    """Eight sites, 2–4 piles each, fourteen items, three bags per look; no mess when `clean`."""
    return Scenario(
        trial="SHARED-PILES-2025",
        title="Plant-production items in eight working compost yards, 2025",
        sites=DEMO_SITES,
        materials=DEMO_MATERIALS,
        schedule_days=SCHEDULE_DAYS,
        primary_day=PRIMARY_DAY,
        replicates=3,
        reference_material="POLYESTER-A",
        mess=None if clean else Mess(),
    )


def scaled_scenario(
    *,
    sites: int | None = None,
    piles: int | None = None,
    materials: int | None = None,
    bags: int | None = None,
    days: Sequence[int] | None = None,
    clean: bool = False,
) -> Scenario:
    """The demonstration cut or grown to a size; None leaves it as it is.

    `piles` per site, `bags` per material, pile and look. Places and items beyond those of the
    demonstration are plausible and numbered.
    """
    demo = demo_scenario(clean=clean)
    for name, size in (
        ("sites", sites),
        ("piles", piles),
        ("materials", materials),
        ("bags", bags),
    ):
        if size is not None and size < 1:
            raise ValueError(f"{name} must be at least 1.")
    chosen_sites = _first(DEMO_SITES, sites, _numbered_site)
    if piles is not None:
        chosen_sites = tuple(_with_piles(site, piles) for site in chosen_sites)
    chosen_materials = _first(DEMO_MATERIALS, materials, _numbered_material)
    schedule = _schedule(SCHEDULE_DAYS if days is None else days)
    codes = [material.code for material in chosen_materials]
    reference = demo.reference_material
    return replace(
        demo,
        sites=chosen_sites,
        materials=chosen_materials,
        schedule_days=schedule,
        primary_day=min(schedule, key=lambda day: abs(day - PRIMARY_DAY)),
        replicates=demo.replicates if bags is None else bags,
        reference_material=reference if reference in codes else codes[0],
    )


def _schedule(days: Sequence[int]) -> tuple[int, ...]:
    schedule = tuple(sorted(set(days)))
    if not schedule or schedule[0] < 1 or schedule[-1] > 1100:
        raise ValueError("Days of looks lie between 1 and 1100.")
    return schedule


def _first(known: Sequence[T], size: int | None, numbered: Callable[[int], T]) -> tuple[T, ...]:
    if size is None:
        return tuple(known)
    return tuple(known[i] if i < len(known) else numbered(i + 1) for i in range(size))


def _with_piles(site: SitePlan, piles: int) -> SitePlan:
    kinds = tuple(
        site.pile_kinds[p] if p < len(site.pile_kinds) else KINDS[p % len(KINDS)]
        for p in range(piles)
    )
    return replace(site, pile_kinds=kinds)


def _numbered_site(number: int) -> SitePlan:
    country, zone, latitude, longitude = ZONES[number % len(ZONES)]
    return SitePlan(
        code=f"YARD-{number:03d}",
        name=f"Yard {number}",
        institution=f"PARTNER-{number:03d}",
        institution_name=f"Partner institution {number}",
        country=country,
        time_zone=zone,
        latitude=latitude + 0.1 * (number % 20),
        longitude=longitude + 0.1 * (number % 30),
        mean_c=8.0 + number % 9,
        year_swing_c=6.0 + number % 5,
        day_swing_c=4.0 + number % 3,
        started_on=date(2025, 3 + number % 3, 1 + number % 27),
        pile_kinds=KINDS[: 2 + number % 3],
    )


def _numbered_material(number: int) -> MaterialPlan:
    rng = np.random.default_rng([ITEM_SEED, number])
    fibre = round(float(rng.uniform(10, 60)), 1)
    return MaterialPlan(
        code=f"ITEM-{number:03d}",
        name=f"Trial item {number}",
        form="sheet",
        role="test",
        thickness_um=1000,
        area_density_g_m2=900,
        colour="brown",
        ash_pct=round(float(rng.uniform(0.5, 6.0)), 1),
        moisture_pct=round(float(rng.uniform(1, 9)), 1),
        specimen_g=round(float(rng.uniform(3, 12)), 1),
        composition=(
            ("cellulose fibre", "fibre", fibre),
            ("starch binder", "polymer", round(100 - fibre, 1)),
        ),
        rate_per_day=float(np.exp(rng.normal(np.log(0.025), 0.5))),
        lag_days=round(float(rng.uniform(2, 20)), 1),
        tau_site=round(float(rng.uniform(0.2, 0.45)), 2),
        tau_pile=round(float(rng.uniform(0.12, 0.3)), 2),
    )
