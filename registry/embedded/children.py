"""Programs that run beside this process: on a leash, restarted when they die, ended in time."""

import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress

log = logging.getLogger(__name__)

FIRST_PAUSE_SECONDS = 0.5
LONGEST_PAUSE_SECONDS = 30.0
# A child that lived this long was healthy: its end is a new story, not the old one again.
HEALTHY_SECONDS = 60.0


class Child:
    """A Python module run as a process of its own, which ends when this process ends."""

    def __init__(
        self, module: str, arguments: Sequence[str], environment: Mapping[str, str]
    ) -> None:
        self._command = [module, *arguments]
        self._environment = {**os.environ, **environment}
        self._process: subprocess.Popen[bytes] | None = None
        self._leash: int | None = None

    @property
    def pid(self) -> int | None:
        return self._process.pid if self._process else None

    def start(self) -> None:
        """Start it in its own group, so that Ctrl-C in the terminal reaches this process alone."""
        self._let_go()
        far_end, self._leash = os.pipe()
        leash = [sys.executable, "-m", "registry.embedded.leash", str(far_end)]
        self._process = subprocess.Popen(
            [*leash, *self._command],
            env=self._environment,
            stdin=subprocess.DEVNULL,
            pass_fds=[far_end],
            start_new_session=True,
        )
        os.close(far_end)

    def wait(self, seconds: float | None = None) -> int | None:
        """The exit status, or None when it still runs after so many seconds."""
        assert self._process is not None, "start() comes first"
        try:
            return self._process.wait(seconds)
        except subprocess.TimeoutExpired:
            return None

    def ask_to_stop(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()

    def end(self, seconds: float) -> None:
        """Wait so long for the end that was asked for, then kill it and what it left behind."""
        self.wait(max(seconds, 0))
        self.kill_group()
        self.wait()
        self._let_go()

    def kill_group(self) -> None:
        """Kill the child and everything it started, also when it died before them."""
        if self._process is not None:
            with suppress(ProcessLookupError, PermissionError):
                os.killpg(self._process.pid, signal.SIGKILL)

    def _let_go(self) -> None:
        if self._leash is not None:
            os.close(self._leash)
            self._leash = None


class Keeper:
    """Keeps a child running, from a thread: starts it again when it dies, after growing pauses."""

    def __init__(self, name: str, child: Child) -> None:
        self._name = name
        self._child = child
        self._turn = threading.Lock()  # either it is started again or it is being stopped
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._keep, name=f"keeper of {name}", daemon=True)

    @property
    def pid(self) -> int | None:
        return self._child.pid

    def start(self) -> None:
        self._child.start()
        self._thread.start()

    def ask_to_stop(self) -> None:
        with self._turn:
            self._stopping.set()
            self._child.ask_to_stop()

    def end(self, seconds: float) -> None:
        self._child.end(seconds)
        self._thread.join()

    def _keep(self) -> None:
        pause = FIRST_PAUSE_SECONDS
        started = time.monotonic()
        while True:
            status = self._child.wait()
            if self._stopping.is_set():
                return
            if time.monotonic() - started > HEALTHY_SECONDS:
                pause = FIRST_PAUSE_SECONDS
            log.warning("%s ended (status %s); again in %.1f s", self._name, status, pause)
            self._child.kill_group()
            self._stopping.wait(pause)
            with self._turn:
                if self._stopping.is_set():
                    return
                self._child.start()
            started = time.monotonic()
            pause = min(2 * pause, LONGEST_PAUSE_SECONDS)
