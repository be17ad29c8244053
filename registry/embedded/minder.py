"""Stops the embedded server when the last process that used it has ended."""

import os
import sys
import time
from pathlib import Path

from registry.embedded import locks, postgres

# Commands often follow each other (`migrate`, `load_demo`, `serve`); let them share one start.
LINGER_SECONDS = 3.0


def main() -> None:
    """`python -m registry.embedded.minder HOME` returns at once; the work goes on detached."""
    _detach()
    mind(Path(sys.argv[1]))


def mind(home: Path) -> None:
    """Wait until nobody uses the server under `home`, stop it, return. One minder per home."""
    mine = locks.try_alone(home / "minder.lock")
    if mine is None:
        return
    users = home / "users.lock"
    while True:
        with locks.alone(users):
            pass  # nobody uses it at this moment
        time.sleep(LINGER_SECONDS)
        last = locks.try_alone(users)
        if last is not None:
            break
    postgres.stop(home)
    # In this order: whoever waits for the users' lock must find no minder and start a new one.
    locks.release(mine)
    locks.release(last)


def _detach() -> None:
    """Leave the starter's session and streams, so that its end, or Ctrl-C, does not touch us."""
    if os.fork():
        os._exit(0)
    os.setsid()
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    os.chdir("/")


if __name__ == "__main__":
    main()
