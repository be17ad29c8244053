"""The same function over many items, on two processor cores where there is enough to do.

A second Python process takes items from the far end while this one takes them from the near end,
until they meet. Each item is worked out alone and alike on either side, so the results cannot
depend on who was faster; without a second process this one does everything.

A plain child process over two pipes, not `multiprocessing`: job runners forbid their own children
to use that, and a fork would copy open database connections and held locks.
"""

import os
import pickle
import struct
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import IO, Any, TypeVar

T = TypeVar("T")
_LENGTH = struct.Struct("<Q")
# ValueError is Python's word for a pipe that was closed meanwhile.
_FAILED = (OSError, EOFError, ValueError, pickle.PickleError)


def over_all(
    work: Callable[[Any], T],
    items: Sequence[Any],
    *,
    second: bool,
    on_done: Callable[[int], None] | None = None,
) -> list[T]:
    """`[work(item) for item in items]`.

    Parameters
    ----------
    work : a function of a module, pure, as are its items and results picklable.
    second : whether a second process is worth starting.
    on_done : called in this thread with the number of results so far.
    """
    results: dict[int, T] = {}
    waiting = deque(range(len(items)))
    helper = _Helper.start() if second and len(items) > 1 and _cores() > 1 else None
    thread = None
    if helper is not None:
        thread = threading.Thread(
            target=_feed, args=(helper, work, items, waiting, results), daemon=True
        )
        thread.start()
    try:
        _take_up(work, items, waiting, results, on_done)
        if thread is not None:
            thread.join()
            # What the helper left undone, if it died.
            _take_up(work, items, waiting, results, on_done)
    finally:
        if helper is not None:
            helper.stop()
    return [results[i] for i in range(len(items))]


def _take_up(
    work: Callable[[Any], Any],
    items: Sequence[Any],
    waiting: deque[int],
    results: dict[int, Any],
    on_done: Callable[[int], None] | None,
) -> None:
    while True:
        try:
            i = waiting.popleft()
        except IndexError:
            return
        results[i] = work(items[i])
        if on_done is not None:
            on_done(len(results))


def _feed(
    helper: "_Helper",
    work: Callable[[Any], Any],
    items: Sequence[Any],
    waiting: deque[int],
    results: dict[int, Any],
) -> None:
    """Hand items to the helper from the far end; one it does not answer goes back."""
    while True:
        try:
            i = waiting.pop()
        except IndexError:
            return
        try:
            results[i] = helper.ask(work, items[i])
        except (*_FAILED, _Refused):
            waiting.append(i)
            return


class _Refused(Exception):
    """The work raised in the helper; done again here, it raises where it can be seen."""


class _Helper:
    """The other process: gets (function, item), answers (fine, result)."""

    def __init__(self, process: "subprocess.Popen[bytes]") -> None:
        self.process = process

    @classmethod
    def start(cls) -> "_Helper | None":
        """None where no process can be started."""
        command = [sys.executable, "-m", "registry.science.both_cores"]
        environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        try:
            return cls(
                subprocess.Popen(
                    command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment
                )
            )
        except OSError:
            return None

    def ask(self, work: Callable[[Any], Any], item: Any) -> Any:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        _send(self.process.stdin, (work, item))
        fine, result = _receive(self.process.stdout)
        if not fine:
            raise _Refused
        return result

    def stop(self) -> None:
        """It ends at the end of its input."""
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:
                    continue
        try:
            self.process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _send(pipe: IO[bytes], what: Any) -> None:
    body = pickle.dumps(what, protocol=pickle.HIGHEST_PROTOCOL)
    pipe.write(_LENGTH.pack(len(body)))
    pipe.write(body)
    pipe.flush()


def _receive(pipe: IO[bytes]) -> Any:
    head = pipe.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        raise EOFError
    (length,) = _LENGTH.unpack(head)
    return pickle.loads(pipe.read(length))


def _serve() -> None:
    """In the helper: answer until the input ends. Nothing else may write to the output."""
    answers = sys.stdout.buffer
    sys.stdout = sys.stderr
    while True:
        try:
            work, item = _receive(sys.stdin.buffer)
        except (EOFError, KeyboardInterrupt):
            return
        try:
            answer = (True, work(item))
        except Exception:
            answer = (False, None)
        _send(answers, answer)


if __name__ == "__main__":
    _serve()
