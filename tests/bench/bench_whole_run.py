"""A whole pooling run, from the database to stored estimates, and again after one site's upload.

    python -m tests.bench.bench_whole_run [--sizes small,medium,large] [--growth]

Every run is what a worker does with it (claim, digest, gather, pool, store), in a process of its
own, timed by the clock, whose peak memory, that of its helpers included, the system tells. Before
the second run one site uploads its last look day, the other sites nothing. Loading a database is
outside the measure. Bars are those of the specification, section 9.
"""

import argparse
import io
import json
import os
import resource
import subprocess
import sys
import time
from dataclasses import dataclass

# First: it settles the environment and loads Django, as for the tests.
from tests.conftest import PROJECT_DIR, address_of_test_database  # isort: skip

import numpy as np
import pyarrow as pa
from django.db import connection
from pyarrow import csv

from registry.models import PooledEstimate, Trial, User
from registry.permissions import Actor
from registry.services import pooling

DAYS = (14, 28, 42, 56, 84, 112)
PRIMARY_DAY = 84
# Sites, piles per site, materials, look days, bags per pile, material and day.
SIZES = {"small": (4, 3, 8, 5, 3), "medium": (20, 6, 25, 6, 4), "large": (100, 6, 50, 6, 4)}
GROWTH_SITES = (25, 50, 100)
BAR_SECONDS, BAR_MIB, BAR_AGAIN = 60.0, 2048, 0.1
LIMIT = 0.02
SHARE_LOST = 0.02

PLACES = """
    INSERT INTO registry_institution (code, name, country, ror)
        VALUES ('INST', 'Institute', 'DK', '') ON CONFLICT DO NOTHING;
    INSERT INTO registry_site (code, institution_id, name, country, time_zone)
        SELECT 'SITE-' || lpad(n::text, 3, '0'), (SELECT max(id) FROM registry_institution), 'Site',
               'DK', 'Europe/Copenhagen' FROM generate_series(1, 200) n ON CONFLICT DO NOTHING;
    INSERT INTO registry_material (code, name, form, role, coating, colour, batch, notes)
        SELECT 'MAT-' || lpad(n::text, 2, '0'), 'Film', 'film', 'test', '', '', '', ''
          FROM generate_series(1, 50) n ON CONFLICT DO NOTHING;
"""
PILES = """
    INSERT INTO registry_pile (site_id, trial_id, code, kind, started_on)
        SELECT site.id, %(trial)s, 'P' || %(trial)s || '-' || n, 'windrow', '2026-01-01'
          FROM (SELECT id FROM registry_site ORDER BY code LIMIT %(sites)s) site,
               generate_series(10, 9 + %(piles)s) n"""
BAGS = """
    INSERT INTO registry_bag (trial_id, pile_id, label, material_id, buried_on, initial_mass_g,
                              initial_moisture_pct, stratum, purpose, planned_days)
        SELECT %(trial)s, pile.id, 'B-' || lpad(draw.n::text, 8, '0'), material.id, '2026-01-02',
               10, 5, 'core', 'sample', draw.day
          FROM draw
          JOIN (SELECT id, row_number() OVER (ORDER BY site_id, code) - 1 AS n
                  FROM registry_pile WHERE trial_id = %(trial)s) pile ON pile.n = draw.pile
          JOIN (SELECT id, row_number() OVER (ORDER BY code) - 1 AS n
                  FROM registry_material) material ON material.n = draw.material"""
LOOKS = """
    INSERT INTO registry_retrieval (bag_id, retrieved_on, outcome, reburied, dry_mass_g,
                                    fragmentation, observer, notes, revision)
        SELECT bag.id, bag.buried_on + draw.day, draw.outcome, false, draw.mass, draw.score, '', '',
               1
          FROM draw
          JOIN registry_bag bag ON bag.trial_id = %(trial)s
           AND bag.label = 'B-' || lpad(draw.n::text, 8, '0')
         WHERE draw.later = %(later)s
         ORDER BY bag.id"""


@dataclass(frozen=True)
class Run:
    """What one run cost."""

    seconds: float
    mib: float
    estimates: int


def main() -> int:
    """Print the tables; 1 when a bar is missed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sizes", default="small,medium,large")
    parser.add_argument("--growth", action="store_true", help="also sites alone, others as large")
    parser.add_argument("--run", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.run:
        print(json.dumps(_run_here(options.run)))
        return 0
    connection.creation.create_test_db(verbosity=0, autoclobber=True)
    try:
        held = _sizes_table(options.sizes.split(","))
        if options.growth:
            _growth_table()
    finally:
        connection.creation.destroy_test_db(connection.settings_dict["NAME"], verbosity=0)
    return 0 if held else 1


def _sizes_table(sizes: list[str]) -> bool:
    print(f"{'size':8}{'bags':>9}{'run s':>8}{'MiB':>7}{'again s':>9}{'share':>7}{'estimates':>11}"
          f"  bars {BAR_SECONDS:.0f} s, {BAR_MIB} MiB, {BAR_AGAIN:.0%} of the run")  # fmt: skip
    held = True
    for size in sizes:
        code = f"WHOLE-{size.upper()}"
        bags = _plant(code, *SIZES[size])
        first = _in_a_process(code)
        _insert_looks(code, later=True)
        again = _in_a_process(code)
        share = again.seconds / first.seconds
        held &= first.seconds <= BAR_SECONDS and max(first.mib, again.mib) <= BAR_MIB
        held &= size != "large" or share <= BAR_AGAIN
        print(f"{size:8}{bags:9d}{first.seconds:8.1f}{first.mib:7.0f}{again.seconds:9.1f}"
              f"{share:7.2f}{first.estimates:11d}", flush=True)  # fmt: skip
    return bool(held)


def _growth_table() -> None:
    _, piles, materials, days, copies = SIZES["large"]
    times = []
    for sites in GROWTH_SITES:
        code = f"WHOLE-OF-{sites}"
        _plant(code, sites, piles, materials, days, copies)
        times.append(_in_a_process(code).seconds)
    slope = np.polyfit(np.log(GROWTH_SITES), np.log(times), 1)[0]
    print(f"slope of log time in log sites {GROWTH_SITES}: {slope:.2f}  {np.round(times, 1)}")


def _plant(code: str, sites: int, piles: int, materials: int, days: int, copies: int) -> int:
    """A trial of that size, but for the looks its first site uploads later. Returns its bags."""
    user, _ = User.objects.get_or_create(
        email="bench@example.org", defaults={"is_coordinator": True}
    )
    schedule = list(DAYS[:days])
    trial = Trial.objects.create(
        code=code, title="Bench", state="running", schedule_days=schedule, primary_day=PRIMARY_DAY
    )
    trial.coordinators.add(user)
    table = _draw(sites, piles, materials, schedule, copies)
    sink = io.BytesIO()
    csv.write_csv(table, sink, csv.WriteOptions(include_header=False))
    names = {"trial": trial.pk, "sites": sites, "piles": piles, "later": False}
    with connection.cursor() as cursor:
        cursor.execute(PLACES)
        cursor.execute(PILES, names)
        cursor.execute(
            "DROP TABLE IF EXISTS draw; CREATE TABLE draw (n int, pile int, material int, day int,"
            " mass float8, outcome text, score int, later boolean)"
        )
        with cursor.copy("COPY draw FROM STDIN WITH (FORMAT csv)") as copy:
            copy.write(sink.getvalue())
        cursor.execute("ANALYZE draw")
        cursor.execute(BAGS, names)
        cursor.execute("ANALYZE registry_bag")
    _insert_looks(code, later=False)
    return len(table)


def _insert_looks(code: str, *, later: bool) -> None:
    names = {"trial": Trial.objects.get(code=code).pk, "later": later}
    with connection.cursor() as cursor:
        cursor.execute(LOOKS, names)
        cursor.execute("ANALYZE registry_retrieval")


def _draw(sites: int, piles: int, materials: int, days: list[int], copies: int) -> pa.Table:
    """Bags drawn from the one-stage model; each material has its own rate, lag and spreads."""
    rng = np.random.default_rng(2026)
    shape = (sites * piles, materials, len(days), copies)
    pile, material, day, _ = (x.ravel() for x in np.indices(shape))
    lag = rng.uniform(2, 20, materials)
    mean = rng.normal(np.log(0.03), 0.5, materials)
    by_site = rng.normal(0, 1, (sites, materials)) * rng.uniform(0.2, 0.45, materials)
    by_pile = rng.normal(0, 1, shape[:2]) * rng.uniform(0.12, 0.3, materials)
    eta = mean + np.repeat(by_site, piles, axis=0) + by_pile
    elapsed = np.array(days)[day]
    f = np.exp(-np.exp(eta[pile, material]) * np.maximum(elapsed - lag[material], 0.0))
    y = f + rng.normal(size=len(f)) * np.sqrt(0.02**2 + (0.06 * f) ** 2)
    lost = rng.random(len(f)) < SHARE_LOST
    gone = ~lost & (y <= LIMIT)
    outcome = np.where(lost, "bag_lost", np.where(gone, "nothing_left", "recovered"))
    score = np.clip(np.round(5 * (1 - y) + rng.normal(0, 0.5, len(y))), 0, 5).astype(int)
    silent = lost | gone
    return pa.table({
        "n": np.arange(len(f)), "pile": pile, "material": material, "day": elapsed,
        "mass": pa.array(y * 9.5, mask=silent), "outcome": outcome,
        "score": pa.array(score, mask=lost), "later": (pile < piles) & (elapsed == days[-1]),
    })  # fmt: skip


def _in_a_process(code: str) -> Run:
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.bench_whole_run", "--run", code],
        cwd=PROJECT_DIR,
        env={**os.environ, "DATABASE_URL": address_of_test_database()},
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    return Run(**json.loads(done.stdout.splitlines()[-1]))


def _run_here(code: str) -> dict[str, float]:
    trial = Trial.objects.get(code=code)
    by = Actor(user=trial.coordinators.get())
    started = time.perf_counter()
    run, _ = pooling.open_run(trial=trial, by=by)
    assert pooling.execute_run(run.pk)
    seconds = time.perf_counter() - started
    peaks = [resource.getrusage(who).ru_maxrss for who in _PROCESSES]
    count = PooledEstimate.objects.filter(run=run).count()
    return {"seconds": seconds, "mib": sum(peaks) / 1024, "estimates": count}


_PROCESSES = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)


if __name__ == "__main__":
    sys.exit(main())
