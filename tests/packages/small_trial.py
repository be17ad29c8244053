"""A small trial as plain frames: three sites, two piles each, two materials, four looks."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd

from registry.packages.meta import Contributor, ReleaseMeta

SITES = ("EAST", "NORTH", "WEST")
PILES = ("P1", "P2")
MATERIALS = {"COIR-POT": 0.012, "WOOL-MAT": 0.03}
DAYS = (14, 28, 56, 84)
BURIED = date(2026, 4, 7)

META = ReleaseMeta(
    trial="POTS-2026",
    title="Pots in working piles",
    version=1,
    created_at=datetime(2026, 9, 1, 12, 30, 15, tzinfo=UTC),
    licence="CC-BY-4.0",
    contributors=(
        Contributor("Eastmoor Growers' College", "NL", "https://ror.org/0zzzzzz00"),
        Contributor('Institute of "Heaps"'),
    ),
    software_version="0.1.0",
    model_version="test-1",
    input_digest="a" * 64,
    notes="First release: all looks up to day 84.",
)


def small_trial(seed: int = 7) -> dict[str, pd.DataFrame]:
    """Raw tables, as the registry would read them from its database."""
    bags, looks = _bags_and_looks(np.random.default_rng(seed))
    _make_life_like(looks)
    return {
        "institutions": pd.DataFrame(
            {"institution": ["COLLEGE"], "name": ["Eastmoor"], "country": ["NL"], "ror": [""]}
        ),
        "sites": pd.DataFrame(
            {
                "site": SITES,
                "institution": "COLLEGE",
                "name": ["East", 'North, "upper" yard', "West\nof the ditch"],
                "country": "NL",
                "time_zone": "Europe/Amsterdam",
                "latitude": [52.1, None, 51.9],
                "longitude": [5.2, None, 4.0],
            }
        ),
        "trials": pd.DataFrame(
            {
                "trial": ["POTS-2026"],
                "title": ["Pots in working piles"],
                "schedule_days": [" ".join(map(str, DAYS))],
                "primary_day": [84],
                "detection_limit": [0.02],
                "window_days": [2],
                "reference_material": [None],
            }
        ),
        "materials": _materials(),
        "compositions": pd.DataFrame(
            {
                "material": list(MATERIALS),
                "component": ["coir fibre", "wool"],
                "function": "fibre",
                "mass_pct": 100.0,
            }
        ),
        "piles": _piles(),
        "feedstocks": pd.DataFrame(
            {
                "site": ["EAST"],
                "pile": ["P1"],
                "ingredient": ["straw"],
                "wet_mass_kg": [120.0],
                "moisture_pct": [None],
                "carbon_pct": [45.0],
                "nitrogen_pct": [0.7],
                "bulk_density_kg_m3": [None],
            }
        ),
        "turnings": pd.DataFrame(
            {
                "site": ["EAST"],
                "pile": ["P1"],
                "turned_at": [datetime(2026, 4, 21, 7, 30, 5, tzinfo=UTC)],
                "water_added_l": [40.0],
                "moisture_pct": [None],
                "notes": [""],
            }
        ),
        "temperatures": pd.DataFrame(
            {
                "site": "EAST",
                "pile": "P1",
                "probe": "CORE",
                "measured_at": pd.date_range("2026-04-07", periods=30, freq="h"),
                "temperature_c": np.linspace(20.0, 61.3, 30),
            }
        ),
        "bags": bags,
        "retrievals": looks,
        "flags": _flags(),
        "corrections": _corrections(),
    }


def _bags_and_looks(rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    bags, looks = [], []
    for s, site in enumerate(SITES):
        for p, pile in enumerate(PILES):
            for material, rate in MATERIALS.items():
                own_rate = rate * np.exp(0.25 * (s - 1) + 0.1 * (p - 0.5))
                for day in DAYS:
                    for copy in (1, 2, 3):
                        label = f"{site}-{pile}-{material}-{day}-{copy}"
                        mass = 12.0 + 0.1 * copy
                        left = np.exp(-own_rate * day) + 0.02 * rng.standard_normal()
                        bags.append(_bag(site, pile, material, label, day, mass))
                        looks.append(_look(label, day, mass * 0.935 * max(left, 0.001)))
    return pd.DataFrame(bags), pd.DataFrame(looks).astype({"notes": object, "observer": object})


def _bag(site: str, pile: str, material: str, label: str, day: int, mass: float) -> dict:
    return {
        "trial": "POTS-2026",
        "site": site,
        "pile": pile,
        "bag_label": label,
        "material": material,
        "buried_on": BURIED,
        "initial_mass_g": mass,
        "initial_moisture_pct": 6.5,
        "pieces": 4,
        "mesh_mm": 1.0,
        "depth_cm": None,
        "stratum": "core",
        "planned_days": day,
        "purpose": "sample",
    }


def _look(label: str, day: int, dry_mass_g: float) -> dict:
    return {
        "trial": "POTS-2026",
        "bag_label": label,
        "retrieved_on": BURIED + timedelta(days=day),
        "outcome": "recovered",
        "reburied": False,
        "wet_mass_g": None,
        "dry_mass_g": dry_mass_g,
        "ash_pct": None,
        "contaminant_ash_pct": None,
        "sieve_mm": 2.0,
        "drying_c": 105.0,
        "fragmentation": None,
        "growth": None,
        "brittleness": None,
        "cracking": None,
        "discolouration": None,
        "observer": "EAST-1",
        "notes": "",
        "revision": 1,
    }


# Row numbers of looks that are not plain, one of each sort.
NOTHING_LEFT, LOST, DAMAGED, LOOKED_AT, EXCLUDED = 23, 1, 2, 3, 4


def _make_life_like(looks: pd.DataFrame) -> None:
    outcomes = {
        NOTHING_LEFT: "nothing_left",
        LOST: "bag_lost",
        DAMAGED: "bag_damaged",
        LOOKED_AT: "looked_at",
    }
    for row, outcome in outcomes.items():
        looks.loc[row, "outcome"] = outcome
        looks.loc[row, "dry_mass_g"] = None
    looks.loc[LOOKED_AT, "fragmentation"] = 2
    looks.loc[LOST, "notes"] = 'not found, "maybe" turned out\nof the pile'


def _materials() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "material": list(MATERIALS),
            "name": ["Coir pot, 9 cm", "Wool mat"],
            "form": ["pot", "mat"],
            "role": "test",
            "thickness_um": [1800.0, None],
            "area_density_g_m2": [640.0, None],
            "coating": "",
            "colour": "brown",
            "batch": ["2026-02", ""],
            "drying_limit_c": [None, 105.0],
            "initial_ash_pct": [4.2, None],
            "notes": "",
        }
    )


def _piles() -> pd.DataFrame:
    keys = [(site, pile) for site in SITES for pile in PILES]
    return pd.DataFrame(
        {
            "site": [site for site, _ in keys],
            "pile": [pile for _, pile in keys],
            "trial": "POTS-2026",
            "kind": "windrow",
            "started_on": BURIED,
            "length_m": 8.0,
            "width_m": 2.5,
            "height_m": 1.4,
            "volume_m3": None,
            "water_added_l": 0.0,
        }
    )


def _flags() -> pd.DataFrame:
    label = f"EAST-P1-COIR-POT-28-{EXCLUDED - 2}"
    return pd.DataFrame(
        {
            "flag": [1, 2],
            "site": "EAST",
            "pile": "P1",
            "probe": None,
            "trial": "POTS-2026",
            "bag_label": [label, label],
            "retrieved_on": BURIED + timedelta(days=28),
            "code": ["above_105_pct", "other_bag"],
            "rule_version": [1, 1],
            "message": "weighs more than at the start",
            "unit": ["%", None],
            "found": [112.0, None],
            "limit_low": None,
            "limit_high": [105.0, None],
            "compared_with": None,
            "n_compared": None,
            "from_at": None,
            "until_at": None,
            "decision": ["exclude", "waiting"],
            "reason": ["soil on the residue", ""],
            "decided_at": [datetime(2026, 8, 1, 9, tzinfo=UTC), None],
        }
    )


def _corrections() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "trial": ["POTS-2026"],
            "bag_label": ["EAST-P1-COIR-POT-14-1"],
            "retrieved_on": [BURIED + timedelta(days=14)],
            "number": [1],
            "field": ["dry_mass_g"],
            "old_value": [""],
            "new_value": ["9.5"],
            "reason": ["read again from the lab book"],
            "made_at": [datetime(2026, 8, 1, 9, tzinfo=UTC)],
        }
    )
