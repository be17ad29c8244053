"""The embedded Postgres: started at first use, shared by every process of one DATA_DIR.

Each process that uses the server holds a shared lock on `users.lock` for as long as it lives. The
kernel drops a lock when its holder dies, so nothing depends on anybody's good manners at the end:
a minder (minder.py) waits until no lock is left, and stops the server.
"""

import shlex
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from os import kill
from pathlib import Path

from registry.embedded import locks
from registry.embedded.account import account_for
from registry.embedded.binaries import EmbeddedPostgresError
from registry.embedded.cluster import PORT, Cluster, open_cluster, socket_folder
from registry.embedded.process_table import command_line

PROJECT_DIR = Path(__file__).resolve().parent.parent.parent
START_SECONDS = 120  # after a crash the server first replays its journal
STOP_SECONDS = 30
SETTLE_SECONDS = 20  # for what a killed server leaves behind to leave
POLL_SECONDS = 0.05
LOG_BYTES_KEPT = 5_000_000

# Safe first (fsync and synchronous commit stay on), then quick on a small machine.
SERVER_SETTINGS = {
    "listen_addresses": "",
    "port": str(PORT),
    "unix_socket_permissions": "0700",
    "max_connections": "100",
    "shared_buffers": "128MB",
    "work_mem": "16MB",
    "maintenance_work_mem": "128MB",
    "wal_level": "minimal",  # no replicas, so bulk loads write less journal
    "max_wal_senders": "0",
    "max_wal_size": "2GB",
    "checkpoint_timeout": "15min",
    "jit": "off",  # its compile time is longer than our queries
    "timezone": "UTC",
    "log_timezone": "UTC",
    "log_line_prefix": "%m [%p] ",
}

_uses: dict[Path, int] = {}  # home → descriptor of this process's shared lock


@dataclass(frozen=True)
class Server:
    """A server that accepts connections on a socket in `socket_dir`."""

    pid: int
    socket_dir: Path


def use(home: Path) -> Server:
    """The running server of the cluster under `home`, started (and made) when it is not.

    From here to its end, this process keeps the server alive. Raises EmbeddedPostgresError.
    """
    if not locks.is_supported():
        raise EmbeddedPostgresError("it needs Linux or macOS.")
    try:
        home.mkdir(parents=True, exist_ok=True)
        if home not in _uses:
            account_for(home / "data")  # a stranger's cluster is refused by name, not by a lock
            _uses[home] = locks.share(home / "users.lock")
            _ensure_minder(home)
        return running_server(home) or _start(home)
    except OSError as error:
        raise EmbeddedPostgresError(f"{error}.") from error


def running_server(home: Path) -> Server | None:
    """The server of this cluster if it is up and ready, by its own account in its pid file."""
    lines = _pid_file_lines(home)
    if len(lines) < 8 or lines[7].strip() != "ready":
        return None
    server = Server(pid=int(lines[0]), socket_dir=Path(lines[4]))
    has_socket = (server.socket_dir / f".s.PGSQL.{PORT}").exists()
    return server if has_socket and _is_our_postgres(server.pid, home) else None


def stop(home: Path) -> None:
    """Stop the server if it runs: ask, wait, and at last insist. Committed data are safe anyway."""
    lines = _pid_file_lines(home)
    pid = int(lines[0]) if lines else 0
    for request in (signal.SIGINT, signal.SIGQUIT, signal.SIGKILL):
        if not pid or not _is_our_postgres(pid, home):
            return
        kill(pid, request)
        _wait_for_end(pid, home, STOP_SECONDS)


def _ensure_minder(home: Path) -> None:
    free = locks.try_alone(home / "minder.lock")
    if free is None:
        return
    locks.release(free)
    # It detaches itself at once; two that start together settle it by the lock.
    command = [sys.executable, "-m", "registry.embedded.minder", str(home)]
    subprocess.run(command, cwd=PROJECT_DIR, stdin=subprocess.DEVNULL, check=True)


def _start(home: Path) -> Server:
    with locks.alone(home / "start.lock"):
        deadline = time.monotonic() + SETTLE_SECONDS
        while True:
            server = running_server(home)
            if server:
                return server
            cluster = open_cluster(home)
            _clear_remains(cluster)
            status, output = _launch(cluster)
            if status != 0 and time.monotonic() > deadline:
                raise EmbeddedPostgresError(_why_not(cluster, output))
            time.sleep(POLL_SECONDS)


def _launch(cluster: Cluster) -> tuple[int, str]:
    settings = {**SERVER_SETTINGS, "unix_socket_directories": str(socket_folder(cluster))}
    options = " ".join(f"-c {name}={shlex.quote(value)}" for name, value in settings.items())
    _open_log(cluster)
    return cluster.run(
        "pg_ctl",
        "start",
        "--wait",
        f"--timeout={START_SECONDS}",
        f"--pgdata={cluster.data}",
        f"--log={cluster.log}",
        f"--options={options}",
    )


def _clear_remains(cluster: Cluster) -> None:
    """Deal with a pid file that names no ready server.

    Postgres itself sees through a number nobody has. It is misled by one that another process
    has got since, as happens after every restart of a container.
    """
    lines = _pid_file_lines(cluster.home)
    if not lines:
        return
    pid = int(lines[0])
    if _is_our_postgres(pid, cluster.home):
        stop(cluster.home)  # half-way up or down, or its socket is gone
        return
    cluster.pid_file.unlink(missing_ok=True)
    for remains in socket_folder(cluster).glob(".s.PGSQL.*"):
        remains.unlink(missing_ok=True)


def _pid_file_lines(home: Path) -> list[str]:
    try:
        lines = (home / "data" / "postmaster.pid").read_text().splitlines()
    except FileNotFoundError:
        return []
    return lines if lines and lines[0].strip().isdigit() else []


def _is_our_postgres(pid: int, home: Path) -> bool:
    command = command_line(pid)
    return "postgres" in command and f" -D {home / 'data'} " in command


def _wait_for_end(pid: int, home: Path, seconds: float) -> None:
    deadline = time.monotonic() + seconds
    while _is_our_postgres(pid, home) and time.monotonic() < deadline:
        time.sleep(POLL_SECONDS)


def _open_log(cluster: Cluster) -> None:
    if cluster.log.exists() and cluster.log.stat().st_size > LOG_BYTES_KEPT:
        cluster.log.unlink()
    cluster.log.touch(mode=0o600)
    cluster.account.give(cluster.log)


def _why_not(cluster: Cluster, output: str) -> str:
    log = cluster.log.read_text(errors="replace") if cluster.log.exists() else ""
    last_lines = "\n".join([*output.splitlines()[-2:], *log.splitlines()[-6:]])
    return f"it did not start. The end of {cluster.log}:\n{last_lines}\n"
