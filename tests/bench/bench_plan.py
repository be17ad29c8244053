"""Planning by formula beside drawn and fitted trials, and the speed of decay curves.

    python -m tests.bench.bench_plan [--trials 200]

One thread (set OMP_NUM_THREADS=1); times are of the processor.
"""

import argparse
import time

import numpy as np

from registry.science.censored_curves import fit_censored_curves
from registry.science.curves import fit_curves
from registry.science.plan import Components, DecayTruth, Plan, expect_days_to_90
from registry.science.plan_answer import Goal, Question, answer
from registry.science.plan_search import Limits
from registry.science.plan_simulation import simulate_days_to_90

DAYS = np.array([14.0, 28, 42, 56, 84, 112])
TRUTH = DecayTruth(0.035, tau2_site=0.12, tau2_pile=0.04, a=0.0004, b=0.0064, lag_days=8.0)
ON_DAY = Components(30.0, 15.0, 20.0, 8.0, 25.0)
# Sites, piles per site, bags per pile and look.
PLANS = ((3, 2, 3), (4, 3, 4), (6, 2, 3), (6, 3, 4), (10, 3, 4), (20, 4, 4))
UNITS = 40


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--trials", type=int, default=200)
    widths(reader.parse_args().trials)
    searches()
    curves()


def widths(n_trials: int) -> None:
    print(f"\nHalf width of log days to 90 %: formula beside {n_trials} drawn and fitted trials")
    heads = ("sites", "piles", "bags", "formula", "drawn", "± MC", "ratio", "covers", "ms")
    print("".join(f"{head:>10}" for head in heads))
    for sites, piles, bags in PLANS:
        plan = Plan(sites, piles, 1, bags)
        expected = expect_days_to_90(TRUTH, plan, DAYS).half_width
        begin = time.process_time()
        drawn = simulate_days_to_90(TRUTH, plan, DAYS, n_trials=n_trials, seed=2026)
        milliseconds = 1e3 * (time.process_time() - begin) / n_trials
        assert drawn.half_width is not None
        assert drawn.half_width_error is not None
        ratio, covers = drawn.half_width / expected, drawn.coverage or 0.0
        noise = 1.96 * drawn.half_width_error
        numbers = (expected, drawn.half_width, noise, ratio, covers)
        told = "".join(f"{number:10.3f}" for number in numbers)
        print(f"{sites:10d}{piles:10d}{bags:10d}{told}{milliseconds:10.1f}", flush=True)


def searches() -> None:
    print("\nThe cheapest plan for three goals at once, seconds")
    for limits in (Limits(), Limits(200, 20, 20)):
        question = Question(
            plan=Plan(5, 2, 4, 3, len(DAYS)),
            days=tuple(DAYS),
            decay=TRUTH,
            on_day=ON_DAY,
            difference=12.0,
            comparisons=3,
            goal=Goal(1.3, 9.0, 0.8),
            limits=limits,
        )
        begin = time.process_time()
        answer(question)
        seconds = time.process_time() - begin
        print(f"  {limits.sites} × {limits.piles} × {limits.bags}: {seconds:.2f}")


def curves() -> None:
    print(f"\nFive shapes of one pile and material, 32 looks on 8 days, ms each over {UNITS} units")
    rng, spent = np.random.default_rng(1), {"least squares": 0.0, "censored likelihood": 0.0}
    day = np.repeat([14.0, 28, 42, 56, 70, 84, 98, 112], 4)
    for _ in range(UNITS):
        f = np.exp(-np.exp(rng.normal(-3.7, 0.4)) * np.maximum(0, day - 10))
        left = f + rng.normal(size=len(day)) * np.sqrt(0.0004 + 0.004 * f**2)
        gone = left < 0.02
        left = np.where(gone, 0.0, left)
        begin = time.process_time()
        fit_curves(day, left, gone)
        middle = time.process_time()
        fit_censored_curves(day, left, gone, 0.02, (0.0004, 0.004))
        spent["least squares"] += middle - begin
        spent["censored likelihood"] += time.process_time() - middle
    for name, seconds in spent.items():
        print(f"  {name}: {1e3 * seconds / UNITS:.1f}")


if __name__ == "__main__":
    main()
