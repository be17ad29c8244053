"""Pages as readers get them, from the real server, printed as one table.

    python -m tests.bench.bench_pages [--seconds 6]

Fifty materials of a released trial at 20 sites, their figures drawn; two web processes as
`coheap serve` starts them. Twenty clients ask for the list of materials and for pages of single
ones, each as soon as the last answer came, after two seconds of the same, as on any day but that
of a release; and every page is asked for alone, by a reader for whom no copy is kept. Bars are
those of the outside contract, section 8 (95 of 100 answers within 100 ms on two cores), and of the
project (no page slower than 300 ms).
"""

import argparse
import http.client
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count, cycle

# First: it settles the environment and loads Django, as for the tests.
from tests.conftest import PROJECT_DIR, address_of_test_database  # isort: skip

from django.test.utils import setup_databases, teardown_databases
from django.urls import reverse

from registry.services.figures import draw_run
from tests.embedded.test_serve import free_port
from tests.frontend.small_trial import SmallTrial, small_trial

CLIENTS = 20
WARM_SECONDS = 2.0
N_MATERIALS, N_SITES = 50, 20
P95_MS, SLOWEST_MS = 100.0, 300.0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=6.0)
    seconds = parser.parse_args().seconds
    databases = setup_databases(verbosity=0, interactive=False)
    try:
        made = small_trial(n_materials=N_MATERIALS, n_sites=N_SITES)
        draw_run(made.run.pk)
        with _served() as port:
            return 0 if _report(port, made, seconds) else 1
    finally:
        teardown_databases(databases, verbosity=0)


def _report(port: int, made: SmallTrial, seconds: float) -> bool:
    one = [reverse("frontend:material", args=[material.code]) for material in made.materials]
    met = []
    for name, paths in (
        ("list of 50 materials", [reverse("frontend:materials")]),
        ("pages of 50 materials", one),
    ):
        _asked_by_many(port, paths, WARM_SECONDS)
        times = sorted(_asked_by_many(port, paths, seconds))
        p50, p95 = times[len(times) // 2], times[int(0.95 * len(times))]
        met.append(p95 <= P95_MS)
        print(
            f"{name:28}{len(times) / seconds:6.0f} a second   half within {p50:4.0f} ms   "
            f"95 of 100 within {p95:4.0f} ms   at most {P95_MS:.0f}   {_word(met[-1])}"
        )
    for name, path in _pages(made):
        fresh = min(_once(port, f"{path}{'&' if '?' in path else '?'}fresh={i}") for i in range(3))
        met.append(fresh <= SLOWEST_MS)
        print(
            f"{name:28}alone, no copy kept {fresh:5.0f} ms   at most {SLOWEST_MS:.0f}   "
            f"{_word(met[-1])}"
        )
    return all(met)


def _pages(made: SmallTrial) -> list[tuple[str, str]]:
    codes = [material.code for material in made.materials[:4]]
    trial = made.trial.code
    return [
        *((n, reverse(f"frontend:{n}")) for n in ("home", "materials", "trials", "releases")),
        ("material", reverse("frontend:material", args=[codes[1]])),
        ("compare", reverse("frontend:compare") + "?" + "&".join(f"m={code}" for code in codes)),
        ("trial", reverse("frontend:trial", args=[trial])),
        ("release", reverse("frontend:release", args=[made.release.pk])),
        ("pooled", reverse("frontend:pooled", args=[trial])),
        ("pooled material", reverse("frontend:pooled-material", args=[trial, codes[1]])),
    ]


def _word(met: bool) -> str:
    return "yes" if met else "NO"


@contextmanager
def _served() -> Iterator[int]:
    port = free_port()
    environment = {
        **os.environ,
        "DATABASE_URL": address_of_test_database(),
        "BASE_URL": f"http://127.0.0.1:{port}",
    }
    server = subprocess.Popen(
        [sys.executable, "-m", "registry", "serve", "--port", str(port)],
        cwd=PROJECT_DIR,
        env=environment,
        stdout=subprocess.PIPE,
    )
    try:
        assert server.stdout is not None
        assert b"serves" in server.stdout.readline()
        yield port
    finally:
        server.terminate()
        server.communicate(timeout=30)


def _once(port: int, path: str) -> float:
    connection = http.client.HTTPConnection("127.0.0.1", port)
    try:
        return _ask(connection, path)
    finally:
        connection.close()


def _ask(connection: http.client.HTTPConnection, path: str) -> float:
    """Milliseconds until the whole answer is here."""
    started = time.perf_counter()
    connection.request("GET", path)
    answer = connection.getresponse()
    answer.read()
    assert answer.status == 200, (path, answer.status)
    return 1000 * (time.perf_counter() - started)


def _asked_by_many(port: int, paths: list[str], seconds: float) -> list[float]:
    times: list[float] = []
    end = time.monotonic() + seconds
    # Each client starts elsewhere, so that they do not all ask for the same page at once.
    starts = count()

    def ask() -> None:
        first = next(starts) % len(paths)
        connection = http.client.HTTPConnection("127.0.0.1", port)
        for path in cycle(paths[first:] + paths[:first]):
            if time.monotonic() > end:
                break
            times.append(_ask(connection, path))
        connection.close()

    clients = [threading.Thread(target=ask) for _ in range(CLIENTS)]
    for client in clients:
        client.start()
    for client in clients:
        client.join()
    return times


if __name__ == "__main__":
    sys.exit(main())
