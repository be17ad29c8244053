"""Speed, growth and coverage of the one-stage and the ordinal model, printed as tables.

    python -m tests.bench.bench_one_stage [--replicates 1000] [--coverage-only] [--clmm]

One thread (set OMP_NUM_THREADS=1); times are of the processor, so that a busy machine does not
count. `--clmm` also runs R's clmm at medium (minutes), where Rscript
with the package ordinal is present; small is always run live there. Else the recorded figures of
the specification stand in, and the table says so.
"""

import argparse
import csv
import shutil
import subprocess
import tempfile
import time
import tracemalloc
from pathlib import Path

import numpy as np
from scipy.stats import t as student_t

from registry.science.one_stage import (
    check_looks,
    fit_looks,
    fit_one_stage,
    laplace_error,
    leave_one_site_out,
    student_check,
)
from registry.science.ordinal import fit_ordinal
from tests.science.simulated_trials import Truth, draw_log_rates, draw_trial, look_at
from tests.science.test_ordinal import draw as draw_scores

DAYS = (14, 28, 42, 56, 84, 112)
# name: sites, piles per site, retrieval days, bags of one material per pile and day
SIZES = {"small": (4, 3, 5, 3), "medium": (20, 6, 6, 4), "large": (100, 6, 6, 4)}
# name: sites, piles, materials, bags per pile and material, on one day; clmm's recorded seconds
ORDINAL_SIZES = {"small": (4, 3, 8, 3, 1.5), "medium": (20, 6, 25, 4, 126.0)}
BAR_ONE_STAGE_S, BAR_ORDINAL_RATIO = 0.3, 200
COVERAGE_SITES = (3, 4, 6, 10, 20)
REPEATS = 5


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--replicates", type=int, default=1000)
    parser.add_argument("--clmm", action="store_true")
    parser.add_argument("--coverage-only", action="store_true")
    options = parser.parse_args()
    if options.coverage_only:
        coverage_table(options.replicates)
        return
    one_stage_table()
    growth_table()
    ordinal_table(options.clmm)
    coverage_table(options.replicates)


def best_of(work, repeats=REPEATS):
    """Shortest time of several, seconds, and the last result."""
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        result = work()
        times.append(time.process_time() - begin)
    return min(times), result


def one_stage_table() -> None:
    """Seconds and peak memory of one material at the three sizes."""
    print(
        "\nOne-stage censored model, one material (collapse, lag interval and site rates included)"
    )
    print(f"{'size':8}{'bags':>8}{'fit s':>9}{'evals':>7}{'leave-1-out s':>15}{'Student s':>11}"
          f"{'quadrature s':>14}{'peak MB':>9}  bar {BAR_ONE_STAGE_S} s")  # fmt: skip
    for size, (sites, piles, n_days, bags) in SIZES.items():
        trial = draw_trial(np.random.default_rng(1), sites, piles, DAYS[:n_days], bags)
        fit_s, fit = best_of(lambda trial=trial: fit_one_stage(**trial))
        looks = check_looks(**trial)
        out_s, _ = best_of(lambda looks=looks, fit=fit: leave_one_site_out(looks, fit), 2)
        student_s, _ = best_of(lambda looks=looks, fit=fit: student_check(looks, fit), 2)
        nodes_s, _ = best_of(lambda looks=looks, fit=fit: laplace_error(looks, fit), 2)
        tracemalloc.start()
        fit_one_stage(**trial)
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        verdict = "met" if fit_s <= BAR_ONE_STAGE_S else "MISSED"
        print(f"{size:8}{len(looks):8d}{fit_s:9.3f}{fit.n_evaluations:7d}{out_s:15.3f}"
              f"{student_s:11.3f}{nodes_s:14.3f}{peak:9.1f}  {verdict}")  # fmt: skip


def growth_table() -> None:
    """Log-log slope of time in sites and in bags per cell; 1 is linear, 0 is free."""

    def slope(sizes, trial_of):
        times = [best_of(lambda s=s: fit_looks(trial_of(s)), 3)[0] for s in sizes]
        return np.polyfit(np.log(sizes), np.log(times), 1)[0], times

    def at(sites, bags):
        return check_looks(**draw_trial(np.random.default_rng(2), sites, 6, DAYS, bags))

    by_sites, times = slope([25, 50, 100, 200], lambda s: at(s, 4))
    print(f"\nslope of log time in log sites (25-200): {by_sites:.2f}  {np.round(times, 3)}")
    by_bags, times = slope([4, 16, 64], lambda b: at(20, b))
    print(f"slope of log time in log bags per cell (4-64): {by_bags:.2f}  {np.round(times, 3)}")


def ordinal_table(with_medium_clmm: bool) -> None:
    """Cumulative-link mixed model against clmm, live or as recorded."""
    print("\nCumulative-link mixed model, materials fixed, site and pile random, one day")
    print(f"{'size':8}{'scores':>8}{'fit s':>9}{'clmm s':>9}{'ratio':>8}  bar at medium "
          f"{BAR_ORDINAL_RATIO}")  # fmt: skip
    for size, (sites, piles, materials, bags, recorded) in ORDINAL_SIZES.items():
        rng = np.random.default_rng(3)
        beta = rng.uniform(-3, 3, materials - 1)
        data = draw_scores(rng, sites, piles, beta, 0.6, 0.4, bags)
        seconds, _ = best_of(lambda data=data: fit_ordinal(*data), 3)
        live = clmm_seconds(data) if size == "small" or with_medium_clmm else None
        other, how = (recorded, "recorded") if live is None else (live, "live")
        print(f"{size:8}{len(data[0]):8d}{seconds:9.3f}{other:9.1f}{other / seconds:8.0f}  {how}")


def clmm_seconds(data) -> float | None:
    """R's own time for the same model; None without Rscript or its package."""
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scores.csv"
        with path.open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(["score", "site", "pile", "material"])
            writer.writerows(zip(*data[:4], strict=True))
        script = (
            "if (!requireNamespace('ordinal', quietly=TRUE)) quit(status=3);"
            f"d <- read.csv('{path}'); for (n in names(d)) d[[n]] <- factor(d[[n]]);"
            "d$score <- factor(d$score, ordered=TRUE);"
            "cat(system.time(suppressWarnings(ordinal::clmm("
            "score ~ material + (1|site) + (1|pile), data=d)))[1:2] |> sum())"
        )
        done = subprocess.run(
            ["Rscript", "-e", script], capture_output=True, text=True, check=False
        )
    return float(done.stdout.split()[-1]) if done.returncode == 0 and done.stdout else None


def coverage_table(replicates: int) -> None:
    """Coverage of the 95 % t interval of μ, and its bias, on simulated trials with known truth."""
    truth = Truth()
    print(
        f"\nCoverage of the mean rate, t with S − 1, {replicates} trials each, 3 piles a site,\n"
        f"6 days, 4 bags, tau_site {truth.tau_site}, tau_pile {truth.tau_pile}, lag {truth.lag} d; "
        "bias is against the realised piles"
    )
    heads = ("sites", "coverage", "± MC", "lag covers", "bias", "SD", "mean SE", "no rate", "ms")
    print("".join(f"{head:>11}" for head in heads))
    for sites in COVERAGE_SITES:
        rng = np.random.default_rng([2026, sites])
        begin, rows = time.process_time(), []
        for _ in range(replicates):
            log_rate, pile_site = draw_log_rates(rng, sites, 3, truth)
            fit = fit_one_stage(**look_at(rng, log_rate, pile_site, DAYS, 4, truth))
            if fit.mu is not None:
                lag_covers = fit.lag.low is not None and fit.lag.low <= truth.lag <= fit.lag.high
                rows.append((fit.mu - truth.mu, fit.se, fit.mu - log_rate.mean(), lag_covers))
        milliseconds = 1e3 * (time.process_time() - begin) / replicates
        error, se, beside, lag_covers = np.array(rows, float).T
        covered = np.mean(np.abs(error) <= student_t.ppf(0.975, sites - 1) * se)
        noise = 1.96 * np.sqrt(0.95 * 0.05 / len(rows))
        numbers = (covered, noise, lag_covers.mean(), beside.mean(), error.std(), se.mean())
        columns = "".join(f"{number:11.4f}" for number in numbers)
        print(f"{sites:11d}{columns}{replicates - len(rows):11d}{milliseconds:11.1f}", flush=True)


if __name__ == "__main__":
    main()
