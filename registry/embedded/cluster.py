"""The files of the embedded cluster: made whole or not at all, and read back."""

import contextlib
import hashlib
import os
import shutil
import stat
import tempfile
from dataclasses import dataclass
from pathlib import Path

from registry.embedded.account import Account, account_for
from registry.embedded.binaries import Binaries, EmbeddedPostgresError, find_binaries

ROLE = DATABASE = "coheap"
PORT = 5432  # part of the socket's name; nothing listens on the network
# sun_path holds 108 bytes on Linux and 104 on macOS, with the closing zero.
SOCKET_PATH_BYTES = 103
# Postgres reads the socket folder as a list, and the shell sees it once more.
AWKWARD_IN_A_LIST = frozenset(",\"'\\")

# The application's role may make databases (for tests) but is no superuser: SQL that went astray
# cannot read files or start programs.
FIRST_STATEMENTS = f"""\
CREATE ROLE {ROLE} LOGIN CREATEDB;
CREATE DATABASE {DATABASE} OWNER {ROLE};
"""


@dataclass(frozen=True)
class Cluster:
    """One cluster under `home`, its owner and the programs of its version."""

    home: Path
    account: Account
    binaries: Binaries

    @property
    def data(self) -> Path:
        return self.home / "data"

    @property
    def log(self) -> Path:
        return self.home / "server.log"

    @property
    def pid_file(self) -> Path:
        return self.data / "postmaster.pid"

    def run(self, program: str, *arguments: str, stdin: str = "") -> tuple[int, str]:
        """Exit status and output of a Postgres program run as the cluster's owner."""
        done = self.account.run(
            [self.binaries.program(program), *arguments],
            reaches=[self.home, self.binaries.folder],
            stdin=stdin,
        )
        return done.returncode, done.stdout.strip()


def open_cluster(home: Path) -> Cluster:
    """The cluster under `home`, made now if it is not there. The caller holds the start lock."""
    data = home / "data"
    account = account_for(data)
    major = _version_of(data) if data.exists() else None
    cluster = Cluster(home, account, find_binaries(major))
    if major is None:
        _create(cluster)
    return cluster


def socket_folder(cluster: Cluster) -> Path:
    """A private folder for the socket, short enough for the kernel."""
    folder = cluster.home / "run"
    path = str(folder / f".s.PGSQL.{PORT}")
    if len(os.fsencode(path)) > SOCKET_PATH_BYTES or AWKWARD_IN_A_LIST & set(path):
        digest = hashlib.sha256(os.fsencode(cluster.home)).hexdigest()[:16]
        folder = Path(tempfile.gettempdir()) / f"coheap-{digest}"
    _make_private(folder, cluster.account)
    return folder


def _version_of(data: Path) -> int:
    try:
        return int((data / "PG_VERSION").read_text())
    except (OSError, ValueError) as error:
        raise EmbeddedPostgresError(f"{data} is not a Postgres cluster ({error}).") from error


def _create(cluster: Cluster) -> None:
    """Make the cluster in a draft folder and rename it, so a start that was cut off leaves none."""
    for leftover in cluster.home.glob("draft-*"):
        shutil.rmtree(leftover)
    draft = Path(tempfile.mkdtemp(prefix="draft-", dir=cluster.home))
    cluster.account.give(draft)
    _run_or_explain(
        cluster,
        "initdb",
        f"--pgdata={draft}",
        "--username=postgres",
        "--auth=trust",  # the socket's folder lets in the owner alone
        "--encoding=UTF8",
        "--locale-provider=builtin",
        "--locale=C",
        "--builtin-locale=C.UTF-8",
        "--no-instructions",
    )
    _run_or_explain(
        cluster, "postgres", "--single", "-D", str(draft), "postgres", stdin=FIRST_STATEMENTS
    )
    draft.rename(cluster.data)


def _run_or_explain(cluster: Cluster, program: str, *arguments: str, stdin: str = "") -> None:
    status, output = cluster.run(program, *arguments, stdin=stdin)
    # In single-user mode a failed statement is only printed.
    if status != 0 or "ERROR:" in output:
        last_lines = "\n".join(output.splitlines()[-6:])
        raise EmbeddedPostgresError(f"{program} failed (status {status}):\n{last_lines}\n")


def _make_private(folder: Path, account: Account) -> None:
    """Make or check a folder only the owner may enter; a shared /tmp may hold a stranger's."""
    with contextlib.suppress(FileExistsError):
        folder.mkdir(mode=0o700)
        account.give(folder)
    status = folder.lstat()
    if not stat.S_ISDIR(status.st_mode) or status.st_uid != account.uid or status.st_mode & 0o077:
        raise EmbeddedPostgresError(
            f"{folder} exists and is not a private folder of user number {account.uid}; remove it."
        )
