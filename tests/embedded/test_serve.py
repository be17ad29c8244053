import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from registry.embedded.process_table import command_line
from tests.embedded.processes import PROJECT_DIR, children_of, is_alive, kill_outright, wait_until

# What would make it use services of this machine instead of what it brings along.
NOT_EMBEDDED = ("DATABASE_URL", "BROKER_URL", "BASE_URL", "ALLOWED_HOSTS")


# Three on a machine of one's own (1.4 measured); the tests share its cores.
LEAVING_SECONDS = 6


class Served:
    """`coheap serve` in a process of its own, over a data folder of its own."""

    def __init__(self, data_dir: Path) -> None:
        self.port = free_port()
        environment = {name: text for name, text in os.environ.items() if name not in NOT_EMBEDDED}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "registry", "serve", "--port", str(self.port)],
            cwd=PROJECT_DIR,
            env={**environment, "DATA_DIR": str(data_dir)},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.announcement = self._wait_for_announcement()

    def _wait_for_announcement(self) -> str:
        said = ""
        for line in self.process.stdout:
            said += line
            if "serves http" in line:
                return line.strip()
        raise AssertionError(said)

    def children(self) -> dict[str, int]:
        """Number of each child, by the program it runs."""
        named = {}
        for pid in children_of(self.process.pid):
            for program in ("gunicorn", "celery"):
                if "leash" in command_line(pid) and f" {program} " in command_line(pid):
                    named[program] = pid
        return named

    def everyone(self) -> list[int]:
        """Numbers of all processes below this one."""
        found, waiting = [], [self.process.pid]
        while waiting:
            below = children_of(waiting.pop())
            found += below
            waiting += below
        return found

    def get(self, path: str) -> tuple[int, dict]:
        try:
            with urllib.request.urlopen(
                f"http://127.0.0.1:{self.port}{path}", timeout=20
            ) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.load(error)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture(scope="module")
def data_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One for all tests here: making the cluster and gathering the static files takes seconds."""
    return tmp_path_factory.mktemp("served") / "var"


@pytest.fixture
def served(data_dir: Path) -> Iterator[Served]:
    served = Served(data_dir)
    yield served
    if served.process.poll() is None:
        served.process.terminate()
    served.process.communicate(timeout=30)


def test_it_serves_restarts_a_killed_worker_and_leaves_cleanly_within_seconds(served):
    assert served.announcement == (
        f"Coheap serves http://127.0.0.1:{served.port} (Ctrl-C stops it)."
    )
    assert served.get("/health/live") == (200, {"status": "live"})
    status, ready = served.get("/health/ready")
    assert status == 503
    assert ready["checks"] == {
        "database": "ok",
        "broker": "ok",
        "migrations": ready["checks"]["migrations"],
    }
    first = served.children()["celery"]

    kill_outright(first)

    wait_until(lambda: served.children().get("celery", first) != first, "a new worker")
    family = served.everyone()
    before = time.monotonic()
    served.process.send_signal(signal.SIGINT)
    said, _ = served.process.communicate(timeout=20)
    assert time.monotonic() - before < LEAVING_SECONDS
    assert served.process.returncode == 0
    assert "Traceback" not in said
    wait_until(lambda: not any(is_alive(pid) for pid in family), "all its processes are gone")


def test_nothing_outlives_a_server_that_was_killed_outright(served):
    wait_until(lambda: {"gunicorn", "celery"} <= set(served.children()), "both children")
    family = served.everyone()

    kill_outright(served.process.pid)

    wait_until(lambda: not any(is_alive(pid) for pid in family), "all its processes are gone")


def test_a_web_server_that_dies_ends_the_whole_with_an_error(served):
    kill_outright(served.children()["gunicorn"])

    said, _ = served.process.communicate(timeout=30)

    assert served.process.returncode == 1
    assert "The web server ended by itself" in said


def test_a_taken_port_is_named_before_anything_starts(data_dir):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        refused = subprocess.run(
            [sys.executable, "-m", "registry", "serve", "--port", str(port)],
            cwd=PROJECT_DIR,
            env={**os.environ, "DATA_DIR": str(data_dir)},
            capture_output=True,
            text=True,
            check=False,
        )

    assert refused.returncode == 1
    assert f"Cannot serve on 127.0.0.1:{port}" in refused.stderr
    assert "--port" in refused.stderr
