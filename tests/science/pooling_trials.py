"""Small trials with known truth, as rows a lab could have sent."""

from dataclasses import dataclass, replace

import numpy as np

from registry.science.looks import code_looks
from registry.science.types import BagLooks, LookColumns


@dataclass(frozen=True)
class Item:
    """A material: mean log rate per day, lag in days, spread between sites and piles."""

    name: str
    mu: float = -3.5
    lag: float = 7.0
    tau_site: float = 0.3
    tau_pile: float = 0.15
    role: str = "test"


def trial_columns(
    *items: Item,
    seed: int = 0,
    n_sites: int = 6,
    n_piles: int = 3,
    days=(14, 28, 42, 56, 70, 84, 98, 112),
    n_bags: int = 3,
    a: float = 0.02**2,
    b: float = 0.04**2,
    limit: float = 0.02,
    lost: float = 0.0,
    heat=None,
) -> LookColumns:
    """Columns of a trial; a share `lost` of the bags is lost at random."""
    rng = np.random.default_rng(seed)
    rows = []
    for item in items:
        for s in range(n_sites):
            site_rate = item.mu + item.tau_site * rng.normal()
            for p in range(n_piles):
                k = np.exp(site_rate + item.tau_pile * rng.normal())
                for day in days:
                    for i in range(n_bags):
                        actual = day + rng.integers(-1, 2)
                        f = np.exp(-k * max(actual - item.lag, 0))
                        y = f + rng.normal() * np.sqrt(a + b * f * f)
                        outcome = "recovered" if y > limit else "nothing_left"
                        if rng.random() < lost:
                            outcome = "bag_lost"
                        mass = y if outcome == "recovered" else np.nan
                        label = f"{item.name}-{s}-{p}-{day}-{i}"
                        rows.append((f"S{s:02d}", f"P{p}", item.name, label, actual, mass, outcome))
    site, pile, material, bag, day, remaining, outcome = zip(*rows, strict=True)
    return LookColumns(
        site=site,
        pile=pile,
        material=material,
        bag=bag,
        day=np.array(day, float),
        remaining=np.array(remaining, float),
        outcome=outcome,
        detection_limit=np.full(len(rows), limit),
        excluded=np.zeros(len(rows), dtype=bool),
        material_roles={item.name: item.role for item in items},
        pile_heat=heat or {},
        trial="T1",
    )


def trial(*items: Item, **options) -> BagLooks:
    """The same, coded."""
    return code_looks(trial_columns(*items, **options))


def series(days, remaining, **more) -> LookColumns:
    """One pile of one material at one site."""
    n = len(days)
    columns = LookColumns(
        site=["S"] * n,
        pile=["P"] * n,
        material=["M"] * n,
        bag=[f"b{i}" for i in range(n)],
        day=np.array(days, float),
        remaining=np.array(remaining, float),
        outcome=["recovered"] * n,
        detection_limit=np.full(n, 0.02),
        excluded=np.zeros(n, dtype=bool),
    )
    return replace(columns, **more)
