"""Exports of 1,000,000 looks against a bare COPY TO of the same columns, printed as one table.

    python -m tests.bench.bench_exports [--rows 1000000] [--repeats 3]

Each export is the whole answer of the API, permission, filters and middleware included, read to its
end in a process of its own, whose peak memory the system tells. The bare COPY is
`COPY (SELECT the same columns …) TO STDOUT` over plain joins: no order, no permission, no guard
against formulas, and its bytes are thrown away. The COPY of the table alone, which knows neither
site nor pile nor material, is shown beside it. Repeats take turns; the table shows the quickest of
each, since whatever else the machine does only ever adds.
Bars are those of the outside contract, section 8.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass

# First: it settles the environment and loads Django, as for the tests.
from tests.conftest import PROJECT_DIR, address_of_test_database  # isort: skip

from django.db import connection
from django.test import Client

from registry.models import Trial, User
from registry.queries.exclusions import LOOK_IS_EXCLUDED
from registry.services import access

FORMS = ("csv", "parquet", "ndjson")
BARS = {"csv": 1.25, "parquet": 2.0}
SMALL_ROWS = 100_000
# Python, Django and Arrow themselves move by a few megabytes from run to run.
FLAT_MIB = 32

PLACES = """
    INSERT INTO registry_institution (code, name, country, ror)
        VALUES ('INST', 'Institute', 'DK', '');
    INSERT INTO registry_site (code, institution_id, name, country, time_zone)
        SELECT 'SITE-' || n, (SELECT max(id) FROM registry_institution), 'Site', 'DK',
               'Europe/Copenhagen' FROM generate_series(1, 40) n;
    INSERT INTO registry_material (code, name, form, role, coating, colour, batch, notes)
        SELECT 'MAT-' || n, 'Film', 'film', 'test', '', '', '', '' FROM generate_series(1, 25) n;
    INSERT INTO registry_pile (site_id, trial_id, code, kind, started_on)
        SELECT site.id, trial.id, 'P' || n, 'windrow', '2026-01-01'
          FROM registry_site site, registry_trial trial, generate_series(10, 14) n;
"""
BAGS = """
    INSERT INTO registry_bag (trial_id, pile_id, label, material_id, buried_on, initial_mass_g,
                              initial_moisture_pct, stratum, purpose, planned_days)
        SELECT pile.trial_id, pile.id, 'B-' || lpad(row_number() OVER ()::text, 8, '0'),
               material.id, '2026-01-02', 12 + copy / 1000.0, 6.5, 'core', 'sample', 28
          FROM registry_pile pile, registry_material material, generate_series(1, %(copies)s) copy
         LIMIT %(rows)s"""
LOOKS = """
    INSERT INTO registry_retrieval (bag_id, retrieved_on, outcome, reburied, wet_mass_g, dry_mass_g,
        ash_pct, contaminant_ash_pct, sieve_mm, drying_c, fragmentation, growth, brittleness,
        cracking, discolouration, observer, notes, revision, upload_id, upload_row)
        SELECT id, buried_on + 28, 'recovered', false, 9 + id % 1000 / 271.0,
               1 + id % 7919 / 1009.0,
               round((5 + id % 100 / 10.0)::numeric, 2), 60, 2, 105, id % 6, id % 6, id % 5, id % 5,
               id % 5, 'AB' || id % 7, 'as found', 1,
               1 + (row_number() OVER (ORDER BY id) > 100000)::int, row_number() OVER (ORDER BY id)
          FROM registry_bag ORDER BY id"""
SAME_COLUMNS = f"""
    SELECT trial.code, bag.label, look.retrieved_on, look.outcome, look.reburied, look.wet_mass_g,
           look.dry_mass_g, look.ash_pct, look.contaminant_ash_pct, look.sieve_mm, look.drying_c,
           look.fragmentation, look.growth, look.brittleness, look.cracking, look.discolouration,
           look.observer, look.notes, site.code, pile.code, material.code,
           look.retrieved_on - bag.buried_on,
           {LOOK_IS_EXCLUDED},
           look.revision, look.id, look.upload_id, look.upload_row
      FROM registry_retrieval look
      JOIN registry_bag bag ON bag.id = look.bag_id
      JOIN registry_trial trial ON trial.id = bag.trial_id
      JOIN registry_pile pile ON pile.id = bag.pile_id
      JOIN registry_site site ON site.id = pile.site_id
      JOIN registry_material material ON material.id = bag.material_id"""


@dataclass
class Row:
    """One line of the table."""

    work: str
    measured: str
    bar: str
    holds: bool


def main() -> int:
    """Print the table; 1 when a bar is missed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--export", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.export:
        print(json.dumps(_export(options.export)))
        return 0
    connection.creation.create_test_db(verbosity=0, autoclobber=True)
    try:
        token = _plant(options.rows)
        rows = list(_measured(token, options.rows, options.repeats))
    finally:
        connection.creation.destroy_test_db(connection.settings_dict["NAME"], verbosity=0)
    for row in rows:
        print(f"{row.work:<52} {row.measured:<48} {row.bar:<20} {'yes' if row.holds else 'NO'}")
    return 0 if all(row.holds for row in rows) else 1


def _measured(token: str, rows: int, repeats: int) -> Iterator[Row]:
    bare: list[float] = []
    alone: list[float] = []
    found: dict[str, list[dict[str, float]]] = {form: [] for form in FORMS}
    for _ in range(repeats):
        for form in FORMS:
            bare.append(_copy_s(f"({SAME_COLUMNS})"))
            found[form].append(_in_a_process(f"{form} big", token))
        alone.append(_copy_s("registry_retrieval"))
    base = min(bare)
    for form in FORMS:
        took = min(one["seconds"] for one in found[form])
        bar = BARS.get(form)
        size = found[form][0]["bytes"] / 1e6
        yield Row(
            f"{rows:,} looks as {form}, {size:.0f} MB, against COPY TO",
            f"{took:.2f} s / {base:.2f} s = {took / base:.2f}",
            f"at most {bar:.2f}" if bar else "none",
            bar is None or took / base <= bar,
        )
    table = min(alone)
    yield Row(
        "COPY TO of the same columns, against the table alone",
        f"{base:.2f} s / {table:.2f} s = {base / table:.2f}",
        "none",
        True,
    )
    for form in FORMS:
        small = _in_a_process(f"{form} small", token)["peak_mib"]
        big = max(one["peak_mib"] for one in found[form])
        yield Row(
            f"peak memory as {form}, {SMALL_ROWS:,} and {rows:,} rows",
            f"{small:.0f} MiB and {big:.0f} MiB",
            f"flat within {FLAT_MIB} MiB",
            big - small <= FLAT_MIB,
        )


def _plant(rows: int) -> str:
    """A trial with so many looks, its first 100,000 in an upload of their own; a token for it."""
    user = User.objects.create_user("bench@example.org", "x", is_coordinator=True)
    trial = Trial.objects.create(
        code="BENCH", title="Bench", state="running", schedule_days=[28], primary_day=28
    )
    trial.coordinators.add(user)
    with connection.cursor() as cursor:
        cursor.execute(PLACES)
        copies = rows // (40 * 5 * 25) + 1
        cursor.execute(BAGS, {"copies": copies, "rows": rows})
        cursor.execute(LOOKS)
        cursor.execute("VACUUM ANALYZE")
    _, token = access.issue_coordinator_token(user=user, name="bench")
    return token


def _copy_s(what: str) -> float:
    started = time.perf_counter()
    with (
        connection.cursor() as cursor,
        cursor.copy(f"COPY {what} TO STDOUT WITH (FORMAT csv)") as copy,
    ):
        for _ in copy:
            pass
    return time.perf_counter() - started


def _in_a_process(what: str, token: str) -> dict[str, float]:
    environment = {
        **os.environ,
        "DATABASE_URL": address_of_test_database(),
        "COHEAP_BENCH_TOKEN": token,
    }
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.bench_exports", "--export", what],
        cwd=PROJECT_DIR,
        env=environment,
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)


def _export(what: str) -> dict[str, float]:
    form, size = what.split()
    upload = "&upload=1" if size == "small" else ""
    client = Client(
        SERVER_NAME="127.0.0.1",
        headers={"Authorization": f"Bearer {os.environ['COHEAP_BENCH_TOKEN']}"},
    )
    path = f"/api/v1/trials/BENCH/export/?table=retrievals&format={form}"
    # A server has loaded its code and opened its connection long before.
    client.get(f"{path}&bag_label=B-00000001").getvalue()
    started = time.perf_counter()
    answer = client.get(path + upload)
    assert answer.status_code == 200, answer.content
    count = sum(len(chunk) for chunk in answer.streaming_content)
    took = time.perf_counter() - started
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"seconds": took, "bytes": count, "peak_mib": peak}


if __name__ == "__main__":
    sys.exit(main())
