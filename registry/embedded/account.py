"""Whose files the embedded cluster are, and how to run programs as that user."""

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from registry.embedded.binaries import EmbeddedPostgresError

try:
    import pwd
except ImportError:  # Windows: binaries.py has the message
    pwd = None  # type: ignore[assignment]

# Postgres refuses root, so root borrows the first of these that the machine has.
BORROWED_USERS = ("postgres", "nobody")
DROP_ROOT = Path(__file__).with_name("drop_root.py")
# Nothing of the caller's surroundings (PGPORT, LC_ALL …) may change what the programs do.
ENVIRONMENT = {"PATH": os.defpath, "LC_ALL": "C", "TZ": "UTC"}


@dataclass(frozen=True)
class Account:
    """The user that owns the cluster and runs the server."""

    uid: int
    gid: int

    @property
    def is_ours(self) -> bool:
        return self.uid == os.geteuid()

    def give(self, path: Path) -> None:
        if not self.is_ours:
            os.chown(path, self.uid, self.gid)

    def run(
        self, command: list[str], *, reaches: list[Path], stdin: str = ""
    ) -> subprocess.CompletedProcess[str]:
        """Run a program as this user and return what it said, both streams together.

        reaches : folders the program must be able to enter.
        """
        if not self.is_ours:
            paths = os.pathsep.join(map(str, reaches))
            interpreter = [sys.executable, "-I", str(DROP_ROOT)]
            command = [*interpreter, str(self.uid), str(self.gid), paths, *command]
        return subprocess.run(
            command,
            input=stdin,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd="/",
            env=ENVIRONMENT,
            check=False,
        )


def account_for(data: Path) -> Account:
    """The owner of an existing cluster, else this process's own user, else a borrowed one."""
    if data.exists():
        return _owner_of(data)
    if os.geteuid() != 0:
        return Account(os.geteuid(), os.getegid())
    for name in BORROWED_USERS:
        try:
            entry = pwd.getpwnam(name)
        except KeyError:
            continue
        return Account(entry.pw_uid, entry.pw_gid)
    raise EmbeddedPostgresError(
        "Postgres refuses to run as root, and this machine has no user called "
        f"{' or '.join(BORROWED_USERS)}."
    )


def _owner_of(data: Path) -> Account:
    status = data.stat()
    if os.geteuid() not in (0, status.st_uid):
        raise EmbeddedPostgresError(
            f"{data} belongs to another user (number {status.st_uid}); it was first started by "
            "root or by somebody else. Start it as before, or choose another DATA_DIR."
        )
    return Account(status.st_uid, status.st_gid)
