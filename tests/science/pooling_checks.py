"""Reference values of the pooling tests, read from the reference folder."""

import json
from pathlib import Path

FOLDER = Path(__file__).parents[2] / "fixtures" / "reference"


def load(name: str) -> dict:
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))


CHECKS = {check["id"]: check for check in load("pooling_check_values.json")["checks"]}
BCG = load("known_variances_bcg.json")
NESTED = load("nested_known_variances.json")["cases"]
