"""File locks that the kernel drops when their holder dies, however it dies."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows: binaries.py has the message
    fcntl = None  # type: ignore[assignment]


def share(path: Path) -> int:
    """Wait for a shared lock; it lasts until the descriptor and all its copies are closed.

    A forked child holds it too; a program started by exec does not.
    """
    descriptor = _open(path)
    fcntl.flock(descriptor, fcntl.LOCK_SH)
    return descriptor


def try_alone(path: Path) -> int | None:
    """An exclusive lock, or None when somebody else holds any."""
    descriptor = _open(path)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        return None
    return descriptor


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """Wait for an exclusive lock and hold it inside the block."""
    descriptor = _open(path)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def release(descriptor: int) -> None:
    os.close(descriptor)


def is_supported() -> bool:
    return fcntl is not None


def _open(path: Path) -> int:
    return os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
