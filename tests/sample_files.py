"""Files of a small trial, written by formula: two sites, two piles each, two materials."""

import math
from collections.abc import Iterator
from datetime import date, timedelta

BURIED = date(2026, 4, 7)
DAYS = (14, 28, 42)
RATE_PER_DAY = {"PAPER": 0.05, "FILM-A": 0.02}
SITE_EFFECT = {"NORTH": 0.15, "SOUTH": -0.15}


def piles(site: str) -> str:
    rows = [f"{site},P{n},TRIAL-1,bin,{BURIED}" for n in (1, 2)]
    return "\n".join(["site,pile,trial,kind,started_on", *rows, ""])


def bags(site: str) -> str:
    rows = [
        f"TRIAL-1,{site},P{pile},{label},{material},{BURIED},10.0"
        for pile, material, _, _, label in _bags(site)
    ]
    return "\n".join(["trial,site,pile,bag_label,material,buried_on,initial_mass_g", *rows, ""])


def retrievals(site: str) -> str:
    rows = [
        f"TRIAL-1,{label},{BURIED + timedelta(day)},recovered,"
        f"{_mass(site, pile, material, day, bag):.4f}"
        for pile, material, day, bag, label in _bags(site)
    ]
    return "\n".join(["trial,bag_label,retrieved_on,outcome,dry_mass_g", *rows, ""])


def _bags(site: str) -> Iterator[tuple[int, str, int, int, str]]:
    for pile in (1, 2):
        for material in RATE_PER_DAY:
            for day in DAYS:
                for bag in (1, 2):
                    yield pile, material, day, bag, f"{site[0]}{pile}-{material}-{day}-{bag}"


def _mass(site: str, pile: int, material: str, day: int, bag: int) -> float:
    """10 g · exp(-k·t), with a pile's own rate and a small known departure per bag."""
    log_rate = math.log(RATE_PER_DAY[material]) + SITE_EFFECT[site] + 0.05 * (2 * pile - 3)
    left = math.exp(-math.exp(log_rate) * day)
    return 10.0 * left * (1.0 + 0.02 * (2 * bag - 3))
