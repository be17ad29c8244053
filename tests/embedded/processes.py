"""Other processes that use the embedded server, for tests that need more than one."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from registry.embedded.process_table import command_line

PROJECT_DIR = Path(__file__).resolve().parent.parent.parent
PATIENCE_SECONDS = 20.0

USE_AND_WAIT = """
import sys
from pathlib import Path
from registry.embedded import postgres
print(postgres.use(Path(sys.argv[1])).pid, flush=True)
sys.stdin.read()
"""


class OtherUser:
    """A process that uses the server under `home` until it is told to leave or is killed."""

    def __init__(self, home: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", USE_AND_WAIT, str(home)],
            cwd=PROJECT_DIR,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.server_pid = int(self.process.stdout.readline())

    def leave(self) -> None:
        self.process.communicate()

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate()


def wait_until(happened: Callable[[], object], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not happened():
        assert time.monotonic() < deadline, f"waited {PATIENCE_SECONDS:.0f} s for: {what}"
        time.sleep(0.05)


def is_alive(pid: int) -> bool:
    """Whether the process runs; one that ended and was not collected does not."""
    return bool(command_line(pid))


def children_of(pid: int) -> list[int]:
    if Path("/proc/self/stat").exists():
        stats = [_read(path) for path in Path("/proc").glob("[0-9]*/stat")]
        # The name, in brackets, may hold blanks; parent and state follow it.
        pairs = [(stat.split()[0], stat.rpartition(")")[2].split()[1]) for stat in stats if stat]
    else:
        listing = subprocess.check_output(["ps", "-A", "-o", "pid=,ppid="], text=True)
        pairs = [tuple(line.split()) for line in listing.splitlines()]
    return [int(child) for child, parent in pairs if int(parent) == pid]


def _read(path: Path) -> str:
    try:
        return path.read_text()
    except OSError:
        return ""


def kill_outright(*pids: int) -> None:
    for pid in pids:
        os.kill(pid, signal.SIGKILL)
