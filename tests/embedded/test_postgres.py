import os
import pwd
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from registry.embedded import binaries, cluster, locks, postgres
from registry.embedded.account import Account
from registry.embedded.binaries import EmbeddedPostgresError
from registry.embedded.process_table import command_line
from tests.embedded.processes import (
    PROJECT_DIR,
    OtherUser,
    children_of,
    is_alive,
    kill_outright,
    wait_until,
)

only_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")


def ask(socket_dir: Path, sql: str) -> object:
    where = {"host": str(socket_dir), "user": cluster.ROLE, "dbname": cluster.DATABASE}
    with psycopg.connect(**where) as connection:  # type: ignore[arg-type]
        cursor = connection.execute(sql)
        row = cursor.fetchone() if cursor.description else None
        return row[0] if row else None


def forget(home: Path) -> None:
    """Let this process stop using a server, as its end would."""
    if home in postgres._uses:
        locks.release(postgres._uses.pop(home))


def stop_now(home: Path) -> None:
    """Stop the server without waiting for its minder to find out."""
    forget(home)
    kill_outright(*minders_of(home))
    postgres.stop(home)


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Path]:
    home = tmp_path / "postgres"
    yield home
    stop_now(home)


def test_the_first_use_makes_a_cluster_that_is_safe_private_and_unprivileged(home):
    server = postgres.use(home)

    assert ask(server.socket_dir, "SELECT current_setting('fsync')") == "on"
    assert ask(server.socket_dir, "SELECT current_setting('synchronous_commit')") == "on"
    assert ask(server.socket_dir, "SELECT current_setting('listen_addresses')") == ""
    assert ask(server.socket_dir, "SELECT current_setting('is_superuser')") == "off"
    assert ask(server.socket_dir, "SELECT current_setting('server_encoding')") == "UTF8"
    assert stat.S_IMODE(server.socket_dir.stat().st_mode) == 0o700
    assert stat.S_IMODE((home / "data").stat().st_mode) == 0o700


def test_a_second_process_joins_the_server_and_keeps_it_when_the_first_leaves(home):
    first = OtherUser(home)
    second = OtherUser(home)

    first.leave()

    assert second.server_pid == first.server_pid
    assert locks.try_alone(home / "users.lock") is None, "the minder would stop the server"
    assert is_alive(second.server_pid)
    second.leave()


def test_many_processes_starting_together_share_one_server(home):
    starting = [
        subprocess.Popen(
            [sys.executable, "-c", "import sys; from pathlib import Path; "
             "from registry.embedded import postgres; print(postgres.use(Path(sys.argv[1])).pid)",
             str(home)],
            cwd=PROJECT_DIR, stdout=subprocess.PIPE, text=True,
        )
        for _ in range(4)
    ]  # fmt: skip

    answers = {process.communicate()[0] for process in starting}

    assert len(answers) == 1
    assert all(process.returncode == 0 for process in starting)


def test_the_last_one_out_stops_the_server_and_the_data_stay(home):
    server = postgres.use(home)
    ask(server.socket_dir, "CREATE TABLE kept AS SELECT 42 AS answer")

    forget(home)

    wait_until(lambda: not is_alive(server.pid), "the server stops after its last user")
    assert ask(postgres.use(home).socket_dir, "SELECT answer FROM kept") == 42


def test_committed_data_survive_a_kill_of_everything(home):
    user = OtherUser(home)
    running = postgres.running_server(home)
    ask(running.socket_dir, "CREATE TABLE kept AS SELECT 42 AS answer")
    minders = minders_of(home)

    kill_outright(*minders, running.pid, *children_of(running.pid))
    user.kill()

    wait_until(lambda: not is_alive(running.pid), "the server is dead")
    assert ask(postgres.use(home).socket_dir, "SELECT answer FROM kept") == 42
    assert len(minders) == 1
    assert len(minders_of(home)) == 1
    assert minders_of(home) != minders


def test_a_server_killed_under_a_living_user_is_started_again_at_the_next_connection(home):
    dead = postgres.use(home)
    kill_outright(dead.pid)
    wait_until(lambda: not is_alive(dead.pid), "the server is dead")

    again = postgres.use(home)

    assert again.pid != dead.pid
    assert ask(again.socket_dir, "SELECT 1") == 1


def test_a_stale_pid_file_that_names_a_living_stranger_is_no_mystery(home):
    dead = postgres.use(home)
    kill_outright(dead.pid)
    wait_until(lambda: not is_alive(dead.pid), "the server is dead")
    pid_file = home / "data" / "postmaster.pid"
    lines = pid_file.read_text().splitlines()
    pid_file.write_text("\n".join([str(os.getpid()), *lines[1:]]) + "\n")

    again = postgres.use(home)

    assert ask(again.socket_dir, "SELECT 1") == 1
    assert again.pid != os.getpid()


def test_a_first_start_that_was_cut_off_leaves_nothing_behind(home):
    draft = home / "draft-cut-off"
    draft.mkdir(parents=True)
    (draft / "PG_VERSION").write_text("18\n")

    server = postgres.use(home)

    assert not draft.exists()
    assert ask(server.socket_dir, "SELECT 1") == 1


def test_a_long_folder_name_gets_a_short_private_socket_folder(tmp_path):
    home = tmp_path / ("long-" * 20) / "postgres"

    server = postgres.use(home)

    assert len(str(server.socket_dir)) < 60
    assert stat.S_IMODE(server.socket_dir.stat().st_mode) == 0o700
    assert ask(server.socket_dir, "SELECT 1") == 1
    stop_now(home)
    server.socket_dir.rmdir()


def test_a_socket_folder_that_others_may_enter_is_refused(home):
    (home / "run").mkdir(parents=True)
    (home / "run").chmod(0o755)

    with pytest.raises(EmbeddedPostgresError, match="not a private folder"):
        postgres.use(home)


def test_a_platform_without_programs_is_told_to_set_database_url(home, monkeypatch):
    monkeypatch.setattr(binaries, "WHEEL", "a_wheel_that_is_not_installed")

    with pytest.raises(EmbeddedPostgresError, match=r"no Postgres programs.*DATABASE_URL"):
        postgres.use(home)


def test_files_of_a_version_that_is_not_installed_are_named_and_left_alone(home):
    (home / "data").mkdir(parents=True)
    (home / "data" / "PG_VERSION").write_text("12\n")

    with pytest.raises(EmbeddedPostgresError, match=r"written by Postgres 12.*DATABASE_URL"):
        postgres.use(home)

    assert (home / "data" / "PG_VERSION").read_text() == "12\n"


def test_a_server_that_cannot_start_shows_the_end_of_its_log(home, monkeypatch):
    monkeypatch.setitem(postgres.SERVER_SETTINGS, "shared_buffers", "no-amount")
    monkeypatch.setattr(postgres, "SETTLE_SECONDS", 0)

    with pytest.raises(EmbeddedPostgresError, match=r"shared_buffers.*no-amount"):
        postgres.use(home)


@only_root
def test_root_lends_the_server_an_unprivileged_user_even_inside_a_closed_folder(tmp_path):
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    home = closed / "postgres"

    server = postgres.use(home)

    status = dict(
        line.split(":", 1) for line in Path(f"/proc/{server.pid}/status").read_text().splitlines()
    )
    assert "0" not in status["Uid"].split()
    # At most CAP_DAC_OVERRIDE (bit 1) or CAP_DAC_READ_SEARCH (bit 2), to get through the folder.
    assert int(status["CapEff"], 16) in (2, 4)
    assert ask(server.socket_dir, "SELECT 1") == 1
    stop_now(home)


@only_root
def test_root_needs_no_capability_where_the_unprivileged_user_can_go(tmp_path_factory):
    entry = pwd.getpwnam("nobody")

    done = Account(entry.pw_uid, entry.pw_gid).run(
        ["/bin/cat", "/proc/self/status"], reaches=[Path("/")]
    )

    assert f"Uid:\t{entry.pw_uid}" in done.stdout
    assert "CapPrm:\t0000000000000000" in done.stdout


@only_root
def test_a_normal_user_owns_its_cluster_and_root_may_join(tmp_path):
    nobody = as_nobody()
    place = tmp_path / "of-nobody"
    place.mkdir()
    nobody.give(place)
    home = place / "postgres"

    started = run_as(nobody, home)
    joined = postgres.use(home)

    assert started.stdout.strip() == str(joined.pid), started.stdout
    assert (home / "data").stat().st_uid == nobody.uid
    assert ask(joined.socket_dir, "SELECT 1") == 1
    stop_now(home)


@only_root
def test_a_cluster_of_somebody_else_is_refused_with_its_owner_named(home):
    postgres.use(home)

    refused = run_as(as_nobody(), home)

    assert "belongs to another user" in refused.stdout
    assert "DATABASE_URL" in refused.stdout


def as_nobody() -> Account:
    entry = pwd.getpwnam("nobody")
    return Account(entry.pw_uid, entry.pw_gid)


def run_as(account: Account, home: Path) -> subprocess.CompletedProcess[str]:
    """Use the server from a process of another user, which ends at once."""
    program = (
        f"import sys; sys.path[:0] = {[str(PROJECT_DIR), *sys.path]!r}; from pathlib import Path; "
        f"from registry.embedded import postgres; print(postgres.use(Path({str(home)!r})).pid)"
    )
    return account.run(
        [sys.executable, "-c", program],
        reaches=[home.parent, PROJECT_DIR, Path(sys.executable).parent],
    )


def minders_of(home: Path) -> list[int]:
    return [
        int(entry.name)
        for entry in Path("/proc").glob("[0-9]*")
        if f"registry.embedded.minder {home}" in command_line(int(entry.name))
    ]
