"""What the Makefile, the CI script, the compose file and the settings must agree on."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

PROJECT_DIR = Path(__file__).resolve().parent.parent.parent
COMPOSE = yaml.safe_load((PROJECT_DIR / "docker-compose.yml").read_text())
CI = (PROJECT_DIR / ".ci" / "run").read_text()


def test_ci_and_compose_run_one_postgres_version():
    in_compose = re.fullmatch(r"postgres:(\d+)", COMPOSE["services"]["postgres"]["image"])
    in_ci = re.search(r"^POSTGRES_MAJOR=(\d+)$", CI, re.MULTILINE)

    assert in_compose
    assert in_ci
    assert in_compose[1] == in_ci[1]


def test_compose_gives_web_worker_and_beat_the_same_surroundings():
    given = {name: COMPOSE["services"][name]["environment"] for name in ("web", "worker", "beat")}

    assert given["web"] == given["worker"] == given["beat"]
    assert given["web"] == COMPOSE["services"]["migrate"]["environment"]


def test_every_variable_the_settings_read_is_known_to_compose():
    settings = (PROJECT_DIR / "registry" / "config" / "settings.py").read_text()
    read = set(re.findall(r'env\.\w+\(\s*"([A-Z_]+)"', settings))

    # Debugging pages have no place in a deployment.
    assert read - {"DEBUG"} == set(COMPOSE["services"]["web"]["environment"])


def test_only_the_settings_read_the_environment():
    readers = {
        str(path.relative_to(PROJECT_DIR))
        for package in ("registry", "api/v1", "frontend")
        for path in (PROJECT_DIR / package).rglob("*.py")
        if re.search(r"os\.getenv|os\.environ(\.get\(|\[)|environ\.get", path.read_text())
    }

    assert readers == {"registry/config/env.py"}


def test_the_verbs_of_the_contract_exist():
    makefile = (PROJECT_DIR / "Makefile").read_text()

    for verb in ("demo", "test", "check", "fix", "bench"):
        assert re.search(rf"^{verb}:", makefile, re.MULTILINE), verb


def test_a_public_deployment_passes_djangos_own_security_checks(tmp_path):
    checked = subprocess.run(
        [sys.executable, "-m", "registry", "check", "--deploy", "--fail-level", "WARNING"],
        cwd=PROJECT_DIR,
        env={
            **os.environ,
            "BASE_URL": "https://trials.example.org",
            "SECRET_KEY": "no-two-characters-alike-0123456789-ABCDEFGHIJKLMNOP",
            "DATA_DIR": str(tmp_path),
        },
        capture_output=True,
        text=True,
        check=False,
    )

    assert checked.returncode == 0, checked.stderr


@pytest.mark.parametrize("path", ["/health/live", "/no-such-page/"])
def test_every_answer_carries_the_security_headers(client, path, db):
    answer = client.get(path)

    policy = answer["Content-Security-Policy"]
    assert "script-src 'self'" in policy
    assert "unsafe-inline" not in policy
    assert "frame-ancestors 'none'" in policy
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["Referrer-Policy"] == "same-origin"
