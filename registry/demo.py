"""The demo trial, brought in as its labs and its coordinator would: over HTTP, file by file.

Only the accounts are made directly (`registry.services.access`), as an operator does with the
commands `create_coordinator` and `issue_token`. Everything else is a request to a running server.
"""

import json
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Say = Callable[[str], None]

START_SECONDS = 60
POOLING_SECONDS = 600
POLL_SECONDS = 0.5
# The order in which a lab's files depend on one another.
SITE_FILES = ("piles", "feedstocks", "turnings", "temperatures", "bags", "retrievals")

STATES = ("draft", "registered", "running")


class DemoFailed(RuntimeError):
    """A step did not do what it must; the message carries the server's answer."""


@dataclass(frozen=True, slots=True)
class Registry:
    """A running server and a coordinator's token for it."""

    url: str
    token: str

    def call(self, method: str, path: str, body: Any = None) -> Any:
        request = urllib.request.Request(
            self.url + path,
            method=method,
            data=None if body is None else json.dumps(body).encode(),
            headers={"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"},
        )
        try:
            with urllib.request.urlopen(request, timeout=300) as answer:
                return json.load(answer)
        except urllib.error.HTTPError as refusal:
            raise DemoFailed(f"{method} {path}: {refusal.read().decode()}") from refusal


@contextmanager
def running_server(python_module: list[str], port: int) -> Iterator[str]:
    """`coheap serve` beside us, with its worker, for as long as the block runs."""
    url = f"http://127.0.0.1:{port}"
    server = subprocess.Popen([*python_module, "serve", "--port", str(port)])
    try:
        _wait_until_live(server, url)
        yield url
    finally:
        server.terminate()
        server.wait(timeout=30)


def load(
    registry: Registry, folder: Path, client: Path, lab_token: Callable[[str], str], say: Say
) -> str:
    """Register, upload, pool and release the trial in `folder`. Returns the trial's code."""
    registration = json.loads((folder / "registration.json").read_text())
    trial = registration["trial"]
    _register(registry, registration, folder, client, say)
    for site in registration["sites"]:
        # A kind may come in several files: a logger in Fahrenheit has one of its own.
        at_site = folder / site["site"]
        files = [path for kind in SITE_FILES for path in sorted(at_site.glob(f"{kind}*.csv"))]
        say(f"{site['name']} sends {len(files)} files")
        _send(registry.url, client, lab_token(site["site"]), files)
    _pool(registry, trial["trial"], say)
    release = registry.call("POST", f"/api/v1/trials/{trial['trial']}/releases/", {})
    say(f"released version {release['version']}: {release['n_rows']} looks")
    return str(trial["trial"])


def _register(
    registry: Registry, registration: dict[str, Any], folder: Path, client: Path, say: Say
) -> None:
    for institution in registration["institutions"]:
        registry.call("POST", "/api/v1/institutions/", institution)
    for site in registration["sites"]:
        registry.call("POST", "/api/v1/sites/", site)
    say(f"registered {len(registration['sites'])} sites")
    _send(
        registry.url,
        client,
        registry.token,
        [folder / "materials.csv", folder / "compositions.csv"],
    )
    trial = registration["trial"]
    found = registry.call("POST", "/api/v1/trials/", trial)
    # An earlier start may have been stopped anywhere; each step is harmless when done already.
    for state in STATES[STATES.index(found["state"]) + 1 :]:
        registry.call(
            "POST",
            f"/api/v1/trials/{trial['trial']}/state/",
            {"state": state, "reason": "demo"},
        )
    say(f"trial {trial['trial']} is running")


def _send(url: str, client: Path, token: str, files: list[Path]) -> None:
    """The lab's own client, in its own process, as a lab runs it."""
    done = subprocess.run(
        [sys.executable, str(client), "send", "--url", url, *map(str, files)],
        env={"COHEAP_TOKEN": token, "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
    )
    if done.returncode:
        raise DemoFailed(f"upload ended with {done.returncode}:\n{done.stdout}{done.stderr}")


def _pool(registry: Registry, trial: str, say: Say) -> None:
    run = registry.call("POST", f"/api/v1/trials/{trial}/pooling-runs/")
    say(f"pooling run {run['id']} requested; a background worker takes it")
    deadline = time.monotonic() + POOLING_SECONDS
    shown = ""
    while run["state"] in ("queued", "running"):
        if time.monotonic() > deadline:
            raise DemoFailed(f"pooling run {run['id']} did not finish; its state: {run}")
        time.sleep(POLL_SECONDS)
        run = registry.call("GET", f"/api/v1/pooling-runs/{run['id']}/")
        now = f"{run['state']} · {run['stage']} {run['done']}/{run['total']}"
        if now != shown:
            say(now)
        shown = now
    if run["state"] != "done":
        raise DemoFailed(f"pooling run {run['id']} failed: {run['error']}")


def _wait_until_live(server: subprocess.Popen[bytes], url: str) -> None:
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline:
        if server.poll() is not None:
            raise DemoFailed(f"the server stopped with exit code {server.returncode}")
        try:
            with urllib.request.urlopen(url + "/health/ready", timeout=2):
                return
        except OSError:
            time.sleep(0.1)
    raise DemoFailed(f"the server did not become ready within {START_SECONDS} s")
