"""The background worker that comes along when no broker is configured."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from registry.embedded.children import Child, Keeper

APPLICATION = "registry.config.celery"
# Two jobs side by side on a small machine: an upload need not wait for a pooling run.
PROCESSES = 2
# How long a job may take to end when the worker stops; one cut off is taken up after its lease.
STOP_SECONDS = 2.0
# Each process computes on one core; numerical libraries would start a thread per core in each.
ONE_THREAD = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "VECLIB_MAXIMUM_THREADS": "1",
}


def celery_arguments(*, processes: int, beat: bool, level: str = "WARNING") -> list[str]:
    """What follows `celery` on its command line, for the worker of this project."""
    quiet = ["--without-gossip", "--without-mingle", "--without-heartbeat"]
    options = [f"--concurrency={processes}", f"--loglevel={level}", *quiet]
    return ["--quiet", f"--app={APPLICATION}", "worker", *options, *(["--beat"] if beat else [])]


def embedded_worker(
    *, processes: int = PROCESSES, environment: Mapping[str, str] | None = None
) -> Keeper:
    """A worker with beat as a child process, restarted when it dies. Not started yet."""
    arguments = celery_arguments(processes=processes, beat=True)
    child = Child("celery", arguments, {**ONE_THREAD, **(environment or {})})
    return Keeper("the background worker", child)


@contextmanager
def running_worker(
    *, processes: int = PROCESSES, environment: Mapping[str, str] | None = None
) -> Iterator[Keeper]:
    """Inside the block a real background worker takes up jobs.

    environment : variables for the worker on top of this process's own.
    """
    worker = embedded_worker(processes=processes, environment=environment)
    worker.start()
    try:
        yield worker
    finally:
        worker.ask_to_stop()
        worker.end(STOP_SECONDS)
