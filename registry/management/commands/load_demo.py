"""`coheap load_demo`: the demo trial, by the path a lab uses. A second call changes nothing."""

import json
import secrets
import socket
import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from registry import demo
from registry.models import Release, Site, User
from registry.services import access
from registry.simulation.scenario import scaled_scenario
from registry.simulation.trial import simulate_trial
from registry.simulation.write import write_trial

SEED = 2025
COORDINATOR = "coordinator@demo.example"
CLIENT = settings.PROJECT_DIR / "api" / "client" / "coheap_client.py"


class Command(BaseCommand):
    help = "Load, pool and release the demo trial through HTTP; harmless when it is there."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--port", type=int, default=0, help="port of the temporary server")

    def handle(self, *args: Any, **options: Any) -> None:
        keys = _Keys(settings.DATA_DIR / "demo" / "keys.json")
        if not (keys.known and Release.objects.filter(trial__code=keys.known["trial"]).exists()):
            self._load(keys, options["port"] or _free_port())
        self._show(keys)

    def _load(self, keys: "_Keys", port: int) -> None:
        folder = _written_trial()
        password, token = _make_coordinator()
        lab_tokens: dict[str, str] = {}

        def lab_token(site_code: str) -> str:
            site = Site.objects.get(code=site_code)
            _, lab_tokens[site_code] = access.issue_site_token(site=site, name="balance room")
            return lab_tokens[site_code]

        try:
            with demo.running_server([sys.executable, "-m", "registry"], port) as url:
                registry = demo.Registry(url, token)
                trial = demo.load(registry, folder, CLIENT, lab_token, self.stdout.write)
        except demo.DemoFailed as problem:
            raise CommandError(str(problem)) from problem
        site, lab = next(iter(lab_tokens.items()))
        keys.write(trial=trial, password=password, site=site, lab_token=lab)
        connection.close()

    def _show(self, keys: "_Keys") -> None:
        known = keys.known
        base = settings.BASE_URL
        self.stdout.write(
            f"\n  address      {base}/\n"
            f"  coordinator  {COORDINATOR}   password {known['password']}\n"
            f"  lab token    {known['lab_token']}   ({known['site']})\n"
            f"  try          curl -H 'Authorization: Bearer {known['lab_token']}' "
            f"'{base}/api/v1/bags/?site={known['site']}&page_size=3'\n"
        )


class _Keys:
    """The demo's own password and token, kept so that a second start can show them again."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.known: dict[str, str] = json.loads(path.read_text()) if path.exists() else {}

    def write(self, **known: str) -> None:
        self.known = known
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self.path.touch(mode=0o600)
        self.path.write_text(json.dumps(known))


def _written_trial() -> Path:
    """The simulated files, with their true parameters beside them."""
    folder: Path = settings.DATA_DIR / "demo" / "trial"
    if not (folder / "truth.json").exists():
        scenario = scaled_scenario()
        write_trial(simulate_trial(scenario, SEED, with_heat=True), folder)
    return folder


def _make_coordinator() -> tuple[str, str]:
    password = secrets.token_urlsafe(12)
    user = User.objects.filter(email=COORDINATOR).first()
    if user is None:
        user = access.create_coordinator(COORDINATOR, "Demo coordinator", password)
    else:
        user.set_password(password)
        user.save(update_fields=["password"])
    _, token = access.issue_coordinator_token(user=user, name="demo", days=1)
    return password, token


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
