"""Child processes that end with the process that started them, however that one ended.

A parent killed outright cannot tell its children. They notice by themselves: the parent holds the
writing end of a pipe, and the kernel closes it.
"""

import ctypes
import os
import runpy
import signal
import sys
import threading
import time

# Time to finish by itself after the parent's death, before the whole group is killed.
GRACE_SECONDS = 2.0
PR_SET_PDEATHSIG = 1  # linux/prctl.h


def die_with_parent() -> None:
    """Ask the kernel to kill this process when its parent dies. Linux only; elsewhere nothing."""
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)


def hold(descriptor: int) -> None:
    """End this process and its group once the other end of the pipe is closed."""
    threading.Thread(target=_watch, args=(descriptor,), daemon=True, name="leash").start()


def _watch(descriptor: int) -> None:
    os.read(descriptor, 1)
    os.killpg(os.getpgrp(), signal.SIGTERM)
    time.sleep(GRACE_SECONDS)
    os.killpg(os.getpgrp(), signal.SIGKILL)


def main() -> None:
    """`python -m registry.embedded.leash DESCRIPTOR MODULE ARGUMENTS…` runs a module on a leash."""
    descriptor, module, *arguments = sys.argv[1:]
    hold(int(descriptor))
    sys.argv = [module, *arguments]
    runpy.run_module(module, run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
