"""Outside check values, each with its source, read from the reference folder."""

import json
from pathlib import Path

PATH = Path(__file__).parents[2] / "fixtures" / "reference" / "check_values.json"
CHECKS = {check["id"]: check for check in json.loads(PATH.read_text(encoding="utf-8"))["checks"]}


def inputs(check: str) -> dict:
    return CHECKS[check]["inputs"]


def expected(check: str) -> dict:
    return CHECKS[check]["expected"]


def tolerance(check: str) -> float:
    return CHECKS[check]["tolerance"]["abs"]
