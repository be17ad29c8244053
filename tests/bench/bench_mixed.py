"""Speed and growth of the fixed-day model beside lme4 and statsmodels, printed as tables.

    python -m tests.bench.bench_mixed [--full] [--coverage N]

One thread (set OMP_NUM_THREADS=1); times are of the processor, so that a busy machine does not
count. lme4 runs live where Rscript has it, else the figures recorded in the specification stand
in, and the table says so. `--full` adds all retrieval days' bags to the day (720,000 at large)
and runs statsmodels at large. `--coverage` sets the replicates of the interval table (0: none).

Timed for both: from bags to variances, fixed effects, standard errors and predicted effects. lme4
is given factors already made; ours collapses the bags within its time.
"""

import argparse
import csv
import shutil
import subprocess
import tempfile
import time
import tracemalloc
import warnings
from pathlib import Path

import numpy as np
import statsmodels.api as sm
from scipy.stats import t as student_t

from registry.science.mixed.cells import collapse
from registry.science.mixed.degrees_of_freedom import estimate_linear
from registry.science.mixed.fixed_day import fit_fixed_day
from registry.science.mixed.fixed_day_variances import NotPooled, fit_variances
from registry.science.mixed.leave_out import leave_one_site_out
from registry.science.mixed.newton import minimise
from registry.science.mixed.site_blocks import ALL_TERMS, site_blocks

# name: sites, piles per site, materials, bags per pile and material on the day, retrieval days
SIZES = {
    "small": (4, 3, 8, 3, 5),
    "medium": (20, 6, 25, 4, 6),
    "large": (100, 6, 50, 4, 6),
}
# Seconds in process recorded in the specification: three and four components; statsmodels, three.
RECORDED_LME4 = {"small": (0.08, 0.09), "medium": (0.86, 1.4), "large": (21.5, 39.6)}
RECORDED_STATSMODELS = {"small": 0.06, "medium": 0.78, "large": 12.9}
BAR_LME4 = 200
SPREADS = (6.0, 5.0, 4.0, 3.0, 5.0)
REPEATS = 5
COVERAGE_SITES = (3, 4, 6, 10, 20)

R_SCRIPT = """
suppressMessages(library(lme4))
d <- read.csv(commandArgs(TRUE)[1])
for (v in c("site", "pile", "material")) d[[v]] <- factor(d[[v]])
d$sp <- interaction(d$site, d$pile, drop = TRUE)
d$sm <- interaction(d$site, d$material, drop = TRUE)
d$spm <- interaction(d$sp, d$material, drop = TRUE)
timed <- function(f) { t <- system.time(m <- suppressMessages(lmer(f, d)))
  cat(sum(t[1:2]), format(-2 * as.numeric(logLik(m)), digits = 15), "\\n") }
timed(value ~ 0 + material + (1 | site) + (1 | sm) + (1 | sp))
timed(value ~ 0 + material + (1 | site) + (1 | sm) + (1 | sp) + (1 | spm))
"""


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--coverage", type=int, default=1000)
    options = parser.parse_args()
    speed_table(options.full)
    growth_table()
    whole_table()
    if options.coverage:
        coverage_table(options.coverage)


def draw(sites: int, piles: int, materials: int, bags: int, seed: int = 1) -> tuple:
    """Codes and values of a trial with 5 % of its bags lost."""
    rng = np.random.default_rng(seed)
    shape = (sites, piles, materials, bags)
    s, p, m, _ = (g.ravel() for g in np.meshgrid(*(np.arange(k) for k in shape), indexing="ij"))
    keep = rng.random(len(s)) >= 0.05
    s, p, m = s[keep], p[keep], m[keep]
    a, b, c, d, e = SPREADS
    value = 50 + m + a * rng.normal(size=sites)[s] + b * rng.normal(size=(sites, materials))[s, m]
    value += c * rng.normal(size=(sites, piles))[s, p]
    value += d * rng.normal(size=(sites, piles, materials))[s, p, m] + e * rng.normal(size=len(s))
    return s, p, m, value


def fit_to_optimum(columns: tuple, terms: tuple[str, ...]):
    """What lmer gives: variances, fixed effects, standard errors, predicted effects."""
    cells = collapse(*columns)
    optimum = minimise(site_blocks(cells, np.eye(len(cells.materials)), terms), "reml")
    at = optimum.evaluation
    at.point.random_effects(at.beta)
    return optimum


def processor_seconds(call, repeats: int = REPEATS) -> float:
    """Least of `repeats` runs; other work on the machine only ever adds."""
    best = np.inf
    for _ in range(repeats):
        start = time.process_time()
        call()
        best = min(best, time.process_time() - start)
    return best


def speed_table(full: bool) -> None:
    print("\nFixed day: seconds (processor), one thread, collapse included in ours")
    print(f"{'size':<14}{'bags':>8} {'terms':>5} {'ours':>8} {'eval':>5} {'lme4':>8} {'ratio':>7}"
          f" {'statsm.':>8} {'ratio':>7}  lme4 - ours, -2 log L")  # fmt: skip
    for name, (sites, piles, materials, bags, days) in SIZES.items():
        _speed_rows(name, draw(sites, piles, materials, bags), full or name != "large")
        if full:
            columns = draw(sites, piles, materials, bags * days)
            _speed_rows(f"{name}, all days", columns, False)
    print(f"(r) recorded in the specification, not run here. Bar at large: {BAR_LME4} x lme4.")


def _speed_rows(name: str, columns: tuple, with_statsmodels: bool) -> None:
    lme4 = run_lme4(columns)
    for row, k in enumerate((3, 4)):
        terms = ALL_TERMS[:k]
        ours = processor_seconds(lambda terms=terms: fit_to_optimum(columns, terms))
        optimum = fit_to_optimum(columns, terms)
        theirs, note, gap = RECORDED_LME4.get(name, (np.nan,) * 2)[row], "(r)", np.nan
        if lme4:
            theirs, note = lme4[row][0], "   "
            gap = lme4[row][1] - optimum.evaluation.criterion
        against = " " * 17
        if k == 3 and with_statsmodels:
            seconds = statsmodels_seconds(columns)
            against = f"{seconds:>8.2f}   {seconds / ours:>5.0f} "
        elif k == 3 and name in RECORDED_STATSMODELS:
            seconds = RECORDED_STATSMODELS[name]
            against = f"{seconds:>8.2f}(r){seconds / ours:>5.0f} "
        print(
            f"{name:<14}{len(columns[3]):>8} {k:>5} {ours:>8.4f} {optimum.n_evaluations:>5} "
            f"{theirs:>8.2f}{note}{theirs / ours:>5.0f} {against} {gap:+.1e}",
            flush=True,
        )


def run_lme4(columns: tuple) -> list[tuple[float, float]] | None:
    """Seconds and criterion of three and four components, or None without R."""
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        data, script = Path(folder, "d.csv"), Path(folder, "fit.R")
        with data.open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(("site", "pile", "material", "value"))
            writer.writerows(zip(*(c.tolist() for c in columns), strict=True))
        script.write_text(R_SCRIPT)
        ran = subprocess.run(
            ["Rscript", str(script), str(data)], capture_output=True, text=True, check=False
        )
    if ran.returncode != 0:
        print("Rscript could not fit:", ran.stderr.strip()[-300:])
        return None
    rows = [line.split() for line in ran.stdout.splitlines()]
    return [(float(seconds), float(criterion)) for seconds, criterion in rows]


def statsmodels_seconds(columns: tuple) -> float:
    """MixedLM with site as group, site × material and pile as variance components."""
    s, p, m, value = columns
    design = (m[:, None] == np.unique(m)).astype(float)
    start = time.process_time()
    groups = np.unique(s)
    parts = {"material": [], "pile": []}
    names = {"material": [], "pile": []}
    for site in groups:
        rows = s == site
        for part, code in (("material", m[rows]), ("pile", p[rows])):
            levels = np.unique(code)
            parts[part].append((code[:, None] == levels).astype(float))
            names[part].append([f"{part}{v}" for v in levels])
    components = sm.regression.mixed_linear_model.VCSpec(
        list(parts), [names[k] for k in parts], [parts[k] for k in parts]
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sm.MixedLM(value, design, groups=s, exog_vc=components).fit(reml=True)
    return time.process_time() - start


def growth_table() -> None:
    print("\nGrowth of the fit with its data: log-log slope of processor seconds")
    axes = {
        "sites": (0, (50, 100, 200, 400)),
        "materials": (2, (25, 50, 100, 200)),
        "bags per cell": (3, (4, 8, 16, 32)),
    }
    for name, (axis, values) in axes.items():
        seconds = []
        for value in values:
            shape = [60, 6, 30, 4]
            shape[axis] = value
            columns = draw(*shape)
            seconds.append(processor_seconds(lambda c=columns: fit_to_optimum(c, ALL_TERMS), 3))
        slope = np.polyfit(np.log(values), np.log(seconds), 1)[0]
        times = ", ".join(f"{v}: {t:.3f} s" for v, t in zip(values, seconds, strict=True))
        print(f"  {name:<14} slope {slope:4.2f}   {times}")


def whole_table() -> None:
    print("\nWhole answer (Kenward-Roger, all pairs by Tukey, reference, letters), seconds and MiB")
    for name, (sites, piles, materials, bags, _) in SIZES.items():
        columns = draw(sites, piles, materials, bags)
        whole = processor_seconds(lambda c=columns: fit_fixed_day(*c, reference="3"), 3)
        result = fit_fixed_day(*columns)
        start = time.process_time()
        leave_one_site_out(result.fit, result.cells)
        left = time.process_time() - start
        tracemalloc.start()
        fit_fixed_day(*columns, reference="3")
        peak = tracemalloc.get_traced_memory()[1] / 2**20
        tracemalloc.stop()
        print(f"  {name:<8} {whole:7.3f} s   leave-one-site-out {left:7.3f} s   peak {peak:6.1f}")


def coverage_table(replicates: int) -> None:
    """95 % intervals of a mean and of a difference, a zero component dropped or kept."""
    error = 1.96 * np.sqrt(0.95 * 0.05 / replicates)
    print(
        f"\nCoverage of 95 % Kenward-Roger intervals, {replicates} trials, nominal +- {error:.3f}"
    )
    print(f"{'sites':>5}  {'mean, drop':>10} {'keep':>6}   {'difference, drop':>16} {'keep':>6}")
    for sites in COVERAGE_SITES:
        hits = np.zeros(4)
        done = 0
        for seed in range(replicates):
            s, p, m, value = draw(sites, 3, 4, 3, seed=seed)
            fit = fit_variances(collapse(s, p, m, value - 50 - m))
            if isinstance(fit, NotPooled):
                continue
            hits += _covered(fit)
            done += 1
        rate = hits / done
        print(f"{sites:>5}  {rate[0]:>10.3f} {rate[1]:>6.3f}   {rate[2]:>16.3f} {rate[3]:>6.3f}")


def _covered(fit) -> np.ndarray:
    l = np.zeros((2, fit.p))
    l[0, 0], l[1, 0], l[1, 1] = 1, 1, -1
    inside = []
    for boundary in ("drop", "keep"):
        linear = estimate_linear(fit, l, "kenward_roger", boundary)
        reach = student_t.isf(0.025, linear.df) * linear.standard_error
        inside.append(np.abs(linear.estimate) < reach)
    return np.array(inside).T.ravel()


if __name__ == "__main__":
    main()
