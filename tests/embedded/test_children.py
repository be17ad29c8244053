import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from registry.embedded.children import Child, Keeper
from tests.embedded.processes import PROJECT_DIR, is_alive, kill_outright, wait_until

# Notes its number, starts a child of its own, and sleeps; deaf to SIGTERM when told so.
SLEEPER = """
import os, signal, subprocess, sys, time
if "deaf" in sys.argv:
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
grandchild = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
with open(sys.argv[1], "a") as notes:
    notes.write(f"{os.getpid()} {grandchild.pid}\\n")
time.sleep(600)
"""

PARENT = """
import sys, time
from registry.embedded.children import Child
child = Child("sleeper", [sys.argv[1]], {"PYTHONPATH": sys.argv[2]})
child.start()
time.sleep(600)
"""


class Sleeper:
    def __init__(self, folder: Path) -> None:
        (folder / "sleeper.py").write_text(SLEEPER)
        self.folder = folder
        self.notes = folder / "notes"

    def child(self, *arguments: str) -> Child:
        return Child("sleeper", [str(self.notes), *arguments], {"PYTHONPATH": str(self.folder)})

    def lives(self) -> list[list[int]]:
        """Numbers of each sleeper so far and of its own child."""
        if not self.notes.exists():
            return []
        lines = self.notes.read_text().splitlines()
        return [[int(number) for number in line.split()] for line in lines]

    def alive(self) -> list[int]:
        return [pid for life in self.lives() for pid in life if is_alive(pid)]

    def wait_for_life(self, number: int) -> list[int]:
        wait_until(lambda: len(self.lives()) >= number, f"life {number} of the child")
        return self.lives()[number - 1]


@pytest.fixture
def sleeper(tmp_path: Path) -> Iterator[Sleeper]:
    sleeper = Sleeper(tmp_path)
    yield sleeper
    try:
        wait_until(lambda: not sleeper.alive(), "everything that was started is gone")
    finally:
        kill_outright(*sleeper.alive())


def test_a_child_that_is_killed_is_started_again_and_its_own_children_are_cleared_away(sleeper):
    keeper = Keeper("the sleeper", sleeper.child())
    keeper.start()
    first, grandchild = sleeper.wait_for_life(1)

    kill_outright(first)

    second, _ = sleeper.wait_for_life(2)
    assert second == keeper.pid != first
    wait_until(lambda: not is_alive(grandchild), "the first one's own child is gone")
    keeper.ask_to_stop()
    keeper.end(2)


def test_a_keeper_that_stops_ends_the_child_and_everything_it_started(sleeper):
    keeper = Keeper("the sleeper", sleeper.child())
    keeper.start()
    pids = sleeper.wait_for_life(1)

    keeper.ask_to_stop()
    keeper.end(2)

    wait_until(lambda: not any(is_alive(pid) for pid in pids), "the family is gone")
    assert len(sleeper.lives()) == 1


def test_a_child_deaf_to_the_request_is_killed_when_its_time_is_over(sleeper):
    child = sleeper.child("deaf")
    child.start()
    pids = sleeper.wait_for_life(1)
    child.ask_to_stop()
    before = time.monotonic()

    child.end(0.5)

    assert time.monotonic() - before < 5
    wait_until(lambda: not any(is_alive(pid) for pid in pids), "the family is gone")


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_a_child_does_not_outlive_a_parent_that_could_not_say_goodbye(sleeper, number):
    parent = subprocess.Popen(
        [sys.executable, "-c", PARENT, str(sleeper.notes), str(sleeper.folder)], cwd=PROJECT_DIR
    )
    pids = sleeper.wait_for_life(1)

    os.kill(parent.pid, number)
    parent.wait()

    wait_until(lambda: not any(is_alive(pid) for pid in pids), "the family is gone")
