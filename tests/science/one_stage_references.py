"""Reads the pinned results of other software and the data sets they were made from."""

import csv
import json
from pathlib import Path

import numpy as np

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"


def results(name):
    """The pinned results of one file."""
    return json.loads((REFERENCE / f"{name}.json").read_text())


def columns(name):
    """Column name → array; numbers where every cell is one."""
    with (REFERENCE / f"{name}.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    table = {key: [row[key] for row in rows] for key in rows[0]}
    return {key: _numbers(values) for key, values in table.items()}


def _numbers(values):
    try:
        return np.array([float(v) for v in values])
    except ValueError:
        return np.array(values)
