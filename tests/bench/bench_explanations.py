"""Coverage of the exploratory slopes, and time of a large family; printed as tables.

python -m tests.bench.bench_explanations [--replicates 1000]
"""

import argparse
import time

import numpy as np

from registry.science.explanation_fits import answer
from registry.science.explanation_types import Question, Row
from tests.science.test_explanations import SLOPE, filler, heat, simulated

# name: materials at even filler steps, sites, spread between materials of one fraction
FAMILIES = {
    "4 levels, 8 sites": (4, 8, 0.0),
    "4 levels, 8 sites, materials differ": (4, 8, 0.10),
    "6 levels, 4 sites, materials differ": (6, 4, 0.10),
}
HEAT_SLOPE = 0.03


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replicates", type=int, default=1000)
    replicates = parser.parse_args().replicates
    print(f"Coverage of 95 % intervals of a planted slope, {replicates} simulated trials each")
    print(f"{'':38s}{'coverage':>10s}{'width':>10s}")
    for name, (materials, sites, spread) in FAMILIES.items():
        levels = {f"F{i}": 15.0 * i for i in range(materials)}
        _covered(
            f"filler, {name}",
            SLOPE,
            [
                filler(simulated([1, n], levels, sites, tau_material=spread))
                for n in range(replicates)
            ],
        )
    for sites in (3, 4, 8, 20):
        found = [heat(shared_heat(n, sites)) for n in range(replicates)]
        _covered(f"heat, {sites} sites of 3 piles", HEAT_SLOPE, found)
    _large()


def shared_heat(seed: int, sites: int) -> tuple[Row, ...]:
    """Piles of a site share most of its heat: the harder case for a slope."""
    rng = np.random.default_rng([2, seed, sites])
    rows = []
    for site in range(sites):
        of_site, at_site = rng.normal(0, 0.3), rng.normal(0, 6)
        for pile in range(3):
            x = float(50 + at_site + rng.normal(0, 3))
            y = -3.5 + HEAT_SLOPE * (x - 50) + of_site + rng.normal(0, 0.2)
            rows.append(Row("M", f"S{site}", f"P{pile}", float(y), 0.005).at(x))
    return tuple(rows)


def _covered(name: str, truth: float, found: list) -> None:
    told = [e for e in found if e.answered]
    covers = np.mean([e.ci_low <= truth <= e.ci_high for e in told])
    width = np.median([e.ci_high - e.ci_low for e in told])
    refused = "" if len(told) == len(found) else f"  ({len(found) - len(told)} refused)"
    print(f"{name:38s}{covers:10.3f}{width:10.4f}{refused}", flush=True)


def _large() -> None:
    """A family of 38 materials at 100 sites, and the piles of one material there."""
    rows = simulated(3, {f"F{i}": 1.2 * i for i in range(38)}, 100, tau_material=0.1)
    piles = tuple(
        Row("M", f"S{s}", f"P{p}", -3.5 + 0.01 * ((7 * s + 3 * p) % 17), 0.005).at(
            45.0 + (5 * s + 11 * p) % 13
        )
        for s in range(100)
        for p in range(6)
    )
    for name, question in (
        ("38 materials at 100 sites", Question("filler_fraction", "F", rows)),
        ("600 piles of one material", Question("mean_temperature", "M", piles)),
    ):
        begin = time.process_time()
        answer(question)
        print(f"{name:38s}{time.process_time() - begin:10.2f} s of processor time", flush=True)


if __name__ == "__main__":
    main()
