"""Uploads and temperatures against a bare COPY of the same rows, printed as one table.

    python -m tests.bench.bench_uploads [--repeats 3] [--readings 1000000]

A web process of its own (one worker, as `coheap serve` starts it) takes the files over HTTP; its
peak memory is read from the system (Linux). What a file left in its table is copied out as bytes,
the table is emptied, and the same bytes are copied in again with all constraints and indexes: that
is the bare COPY. Each repeat times both, one after the other; the table shows the medians, and the
median of the ratios.
Bars are those of the outside contract; readings are scaled to its 5,000,000.
"""

import argparse
import http.client
import io
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path

# First: it settles the environment and loads Django, as for the tests.
from tests.conftest import PROJECT_DIR, address_of_test_database  # isort: skip

from django.db import connection, transaction

from registry.models import Pile, Trial
from registry.permissions import Actor
from registry.queries.pile_heat import heat_of_pile, heat_summaries
from registry.queries.probe_heats import measured_now, unmeasured
from registry.science.heat_class import heat_of_probes
from registry.services import access, registration, reviews, uploads
from tests.embedded.test_serve import free_port

BURIED = date(2025, 1, 6)
SITES, PILES_PER_SITE, BAGS_PER_PILE, EVERY_DAYS = 10, 10, 250, 7
MATERIALS = ("PAPER", "FILM-A", "POT-B", "MAT-C", "TWINE-D")
LOOKS = 20
MEBI = 1024 * 1024


@dataclass
class Row:
    """One line of the table."""

    work: str
    measured: str
    bar: str
    holds: bool


@dataclass
class Web:
    """The web process: where it answers, and with whose token it is asked."""

    port: int
    token: str
    process: subprocess.Popen = field(repr=False)

    def post(self, kind: str, body: bytes) -> tuple[float, int, dict]:
        """Seconds until the answer is read, its status and what it says."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=900)
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": "text/csv"}
        started = time.perf_counter()
        line.request("POST", f"/api/v1/{kind}/", body, headers)
        answer = line.getresponse()
        said = json.loads(answer.read())
        took = time.perf_counter() - started
        line.close()
        return took, answer.status, said

    def peak_bytes(self) -> int:
        """Largest resident memory of any worker so far."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text()
        peaks = [Path(f"/proc/{pid}/status").read_text() for pid in children.split()]
        return max(int(text.split("VmHWM:")[1].split()[0]) for text in peaks) * 1024


def main() -> int:
    """Print the table; 1 when a bar is missed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--only", choices=("looks", "temperatures"))
    options = parser.parse_args()
    connection.creation.create_test_db(verbosity=0, autoclobber=True)
    try:
        trial, token = _plant()
        rows = [] if options.only == "temperatures" else [*_looks(token, options.repeats)]
        if options.only != "looks":
            rows += _temperatures(trial, token, options.readings)
    finally:
        connection.creation.destroy_test_db(connection.settings_dict["NAME"], verbosity=0)
    for row in rows:
        print(f"{row.work:<58} {row.measured:<44} {row.bar:<22} {'yes' if row.holds else 'NO'}")
    return 0 if all(row.holds for row in rows) else 1


def _looks(token: str, repeats: int) -> Iterator[Row]:
    with _serving(token) as web:
        posts, copies = [], []
        for turn in range(repeats):
            _empty("registry_retrieval")
            # Another file each time: a body that is kept already would not be compressed again.
            body = _retrievals(4, observer=f"K. Lund {turn}")
            posts.append(_stored(web.post("retrievals", body), 100_000))
            copies.append(_copied_again("registry_retrieval"))
    reviewed = _review_seconds()
    # Each pair ran one after the other, so what else the machine did weighs on both.
    ratio = statistics.median(post / copy for post, copy in zip(posts, copies, strict=True))
    yield Row(
        "100,000 looks, CSV over HTTP against a bare COPY",
        f"{statistics.median(posts):.2f} s / {statistics.median(copies):.2f} s = {ratio:.2f}; "
        f"review {reviewed:.1f} s",
        "at most 1.50",
        ratio <= 1.5,
    )
    _empty("registry_retrieval")
    with _serving(token) as web:
        body = _retrievals(LOOKS)
        refused_s, status, said = web.post("retrievals", _dirty(body))
        assert status == 422, said
        stored_s = _stored(web.post("retrievals", body), 500_000)
        peak = web.peak_bytes() / MEBI
    yield Row(
        "500,000 looks in one upload: peak of the web process",
        f"{peak:.0f} MiB ({len(body) / MEBI:.0f} MiB of CSV, {stored_s:.1f} s)",
        "below 1024 MiB",
        peak < 1024,
    )
    yield Row(
        "the same with 1 % bad rows: refused against stored",
        f"{refused_s:.1f} s / {stored_s:.1f} s = {refused_s / stored_s:.2f}",
        "below 1.00",
        refused_s < stored_s,
    )
    yield Row(
        "faults told of the 5,000 bad rows",
        f"{len(said['errors'])} listed, {said['error_total']} counted",
        "1,000 and 5,000",
        (len(said["errors"]), said["error_total"]) == (1000, 5000),
    )
    _empty("registry_retrieval")


def _temperatures(trial: Trial, token: str, readings: int) -> Iterator[Row]:
    body = _readings(readings)
    with _serving(token) as web:
        took = _stored(web.post("temperatures", body), readings)
        peak = web.peak_bytes() / MEBI
        again, status, said = web.post("temperatures", body)
        assert (status, said["created"]) == (201, 0), said
    size = _scalar("SELECT pg_total_relation_size('registry_probeday')") / MEBI
    scaled = size * 5_000_000 / readings
    bare = _copied_as_rows(body)
    yield Row(
        f"{readings:,} readings over HTTP against COPY into a plain table",
        f"{took:.1f} s / {bare:.1f} s; again {again:.1f} s; {peak:.0f} MiB",
        "no bar",
        True,
    )
    _review_seconds()
    yield Row("5,000,000 readings: size", f"{scaled:.0f} MiB", "at most 100 MB", scaled < 95.3)
    yield from _summaries(trial)


def _summaries(trial: Trial) -> Iterator[Row]:
    """Kept numbers, and what it takes to measure the readings again."""
    pile = Pile.objects.filter(trial=trial).order_by("pk")[0]
    assert not unmeasured(), "the review after an upload measures its piles"
    again = _best_ms(lambda: heat_of_probes(measured_now([pile.pk])[pile.pk], None, pile.kind))
    one, every = _best_ms(lambda: heat_of_pile(pile)), _best_ms(lambda: heat_summaries(trial))
    yield Row(
        "thermal summary of one pile: kept / from its readings",
        f"{one:.1f} ms / {again:.1f} ms",
        "at most 20 ms",
        max(one, again) <= 20,
    )
    yield Row(
        f"thermal summaries of {SITES * PILES_PER_SITE} piles",
        f"{every:.0f} ms",
        "at most 100 ms",
        every <= 100,
    )


def _review_seconds() -> float:
    """Seconds of the review of the last upload, as a worker does it; of the others besides."""
    took = 0.0
    for upload_id in reviews.waiting(older_than=timedelta(0)):
        started = time.perf_counter()
        assert reviews.catch_up(upload_id)
        took = time.perf_counter() - started
    return took


def _plant() -> tuple[Trial, str]:
    """A running trial with piles and bags; looks and readings are still to be sent."""
    boss = Actor(user=access.create_coordinator("bench@example.org", "Bench", "pass-word-1234"))
    registration.register_institution(by=boss, institution="INST", name="Inst", country="DK")
    names = [f"SITE-{n:02}" for n in range(SITES)]
    for code in names:
        registration.register_site(
            by=boss, site=code, institution="INST", name=code, country="DK", time_zone="UTC"
        )
    _send(boss, "materials", "material,name,form,role", (f"{m},{m},film,test" for m in MATERIALS))
    trial, _ = registration.register_trial(
        by=boss,
        trial="BENCH",
        title="Bench",
        schedule_days=[EVERY_DAYS * n for n in range(1, LOOKS + 1)],
        primary_day=84,
        sites=names,
        materials=list(MATERIALS),
    )
    for state in ("registered", "running"):
        trial = registration.move_trial(trial=trial, state=state, reason="bench", by=boss)
    piles = (f"{site},{pile},BENCH,bin,{BURIED}" for site, pile in _piles())
    _send(boss, "piles", "site,pile,trial,kind,started_on", piles)
    bags = (f"BENCH,{s},{p},{label},{m},{BURIED},10" for s, p, label, m in _bags())
    _send(boss, "bags", "trial,site,pile,bag_label,material,buried_on,initial_mass_g", bags)
    _, token = access.issue_coordinator_token(user=boss.user, name="bench")
    return trial, token


def _piles() -> Iterator[tuple[str, str]]:
    for site in range(SITES):
        for pile in range(PILES_PER_SITE):
            yield f"SITE-{site:02}", f"P{pile}"


def _bags() -> Iterator[tuple[str, str, str, str]]:
    for site, pile in _piles():
        for bag in range(BAGS_PER_PILE):
            label = f"{site[-2:]}-{pile}-{bag:03}"
            yield site, pile, label, MATERIALS[bag % len(MATERIALS)]


def _retrievals(looks: int, observer: str = "K. Lund") -> bytes:
    """Every bag looked at weekly and buried again but for the last time; a plain decay."""
    lines = [
        "trial,bag_label,retrieved_on,outcome,reburied,wet_mass_g,dry_mass_g,ash_pct,"
        "sieve_mm,drying_c,fragmentation,observer"
    ]
    for n in range(1, looks + 1):
        day, mass = BURIED + timedelta(EVERY_DAYS * n), 10 * 0.93**n
        again = "no" if n == looks else "yes"
        tail = f"{day},recovered,{again},{1.8 * mass:.3f}"
        lines += [
            f"BENCH,{label},{tail},{mass * (1 + 0.0001 * (count % 97)):.4f},3.5,2,105,"
            f"{min(5, n // 4)},{observer}"
            for count, (_, _, label, _) in enumerate(_bags())
        ]
    return ("\n".join(lines) + "\n").encode()


def _dirty(body: bytes) -> bytes:
    """The same with a word for the drying temperature in every hundredth row."""
    lines = body.split(b"\n")
    for number in range(1, len(lines) - 1, 100):
        lines[number] = lines[number].replace(b",105,", b",hot,")
    return b"\n".join(lines)


def _readings(count: int) -> bytes:
    """A reading every 15 minutes at three probes of every pile, `count` in all."""
    probes = [(site, pile, probe) for site, pile in _piles() for probe in ("CORE", "MID", "EDGE")]
    start, text = datetime(2025, 1, 7), io.StringIO()
    text.write("site,pile,probe,measured_at,temperature_c\n")
    step = timedelta(minutes=15)
    for n in range(-(-count // len(probes))):
        at = (start + n * step).isoformat()
        wave = 40 + 20 * ((n * 7) % 96) / 96
        for place, (site, pile, probe) in enumerate(probes[: count - n * len(probes)]):
            text.write(f"{site},{pile},{probe},{at}Z,{wave + place % 5:.1f}\n")
    return text.getvalue().encode()


def _send(boss: Actor, kind: str, header: str, rows: Iterator[str]) -> None:
    body = "\n".join([header, *rows, ""]).encode()
    uploads.submit(kind=kind, body=body, content_type="text/csv", by=boss)


def _stored(answer: tuple[float, int, dict], created: int) -> float:
    took, status, said = answer
    assert (status, said.get("created")) == (201, created), said
    return took


def _empty(table: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"TRUNCATE {table} CASCADE")


def _scalar(sql: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(sql)
        return cursor.fetchone()[0]


def _copied_again(table: str) -> float:
    """Seconds of a bare COPY of what the table holds into the table emptied, commit included."""
    with connection.cursor() as cursor, cursor.copy(f"COPY {table} TO STDOUT") as copy:
        data = b"".join(bytes(part) for part in copy)
    _empty(table)
    return _copy_seconds(table, data)


def _copied_as_rows(body: bytes) -> float:
    """Seconds of a bare COPY of a CSV into a plain table of text and numbers without any key."""
    with connection.cursor() as cursor:
        cursor.execute(
            "CREATE TABLE plain_readings (site text, pile text, probe text,"
            " measured_at timestamptz, temperature_c float8)"
        )
    took = _copy_seconds("plain_readings", body, "(FORMAT csv, HEADER)")
    with connection.cursor() as cursor:
        cursor.execute("DROP TABLE plain_readings")
    return took


def _copy_seconds(table: str, data: bytes, options: str = "") -> float:
    started = time.perf_counter()
    statement = f"COPY {table} FROM STDIN {options}"
    with transaction.atomic(), connection.cursor() as cursor, cursor.copy(statement) as copy:
        copy.write(data)
    return time.perf_counter() - started


def _best_ms(work, repeats: int = 5) -> float:
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return 1000 * min(times)


@contextmanager
def _serving(token: str) -> Iterator[Web]:
    """A web process with one worker over the database of this run; its memory starts afresh."""
    port = free_port()
    command = [sys.executable, "-m", "gunicorn", "registry.config.wsgi:application"]
    command += [f"--bind=127.0.0.1:{port}", "--workers=1", "--worker-class=gthread"]
    command += ["--threads=4", "--timeout=900", "--log-level=warning", "--no-control-socket"]
    environment = {**os.environ, "DATABASE_URL": address_of_test_database()}
    process = subprocess.Popen(command, cwd=PROJECT_DIR, env=environment)
    web = Web(port, token, process)
    try:
        _wait_until_it_answers(port)
        yield web
    finally:
        process.terminate()
        process.wait(30)


def _wait_until_it_answers(port: int) -> None:
    for _ in range(600):
        try:
            line = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
            line.request("GET", "/health/live")
            line.getresponse().read()
            return
        except OSError:
            time.sleep(0.1)
    raise AssertionError("the web process did not answer within a minute")


if __name__ == "__main__":
    sys.exit(main())
