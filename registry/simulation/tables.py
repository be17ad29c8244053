"""A simulated trial as the tables a lab and a coordinator send. Columns as declared for uploads."""

from datetime import UTC, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from registry.simulation.plans import SitePlan
from registry.simulation.trial import SimulatedTrial
from registry.simulation.truth import IntArray

STRATA = np.array(["core", "mid", "edge"])


def registration(trial: SimulatedTrial) -> dict[str, Any]:
    """The JSON bodies a coordinator posts: institutions, sites and, after materials, the trial."""
    scenario = trial.scenario
    return {
        "institutions": [
            {"institution": s.institution, "name": s.institution_name, "country": s.country}
            for s in {site.institution: site for site in scenario.sites}.values()
        ],
        "sites": [
            {
                "site": s.code,
                "institution": s.institution,
                "name": s.name,
                "country": s.country,
                "time_zone": s.time_zone,
                "latitude": s.latitude,
                "longitude": s.longitude,
            }
            for s in scenario.sites
        ],
        "trial": {
            "trial": scenario.trial,
            "title": scenario.title,
            "schedule_days": list(scenario.schedule_days),
            "primary_day": scenario.primary_day,
            "detection_limit": scenario.detection_limit,
            "window_days": scenario.window_days,
            "sites": [s.code for s in scenario.sites],
            "materials": [m.code for m in scenario.materials],
            "reference_material": scenario.reference_material,
            "licence": "CC-BY-4.0",
        },
    }


def materials(trial: SimulatedTrial) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "material": m.code,
            "name": m.name,
            "form": m.form,
            "role": m.role,
            "thickness_um": m.thickness_um,
            "area_density_g_m2": m.area_density_g_m2,
            "coating": m.coating,
            "colour": m.colour,
            "batch": "2025-01",
            "drying_limit_c": m.drying_limit_c,
            "initial_ash_pct": m.ash_pct,
        }
        for m in trial.scenario.materials
    )


def compositions(trial: SimulatedTrial) -> pd.DataFrame:
    return pd.DataFrame(
        [
            (m.code, component, function, pct)
            for m in trial.scenario.materials
            for component, function, pct in m.composition
        ],
        columns=["material", "component", "function", "mass_pct"],
    )


def piles(trial: SimulatedTrial, site: int) -> pd.DataFrame:
    plan = trial.scenario.sites[site]
    return pd.DataFrame(
        {
            "site": plan.code,
            "pile": trial.truth.pile_codes[p],
            "trial": trial.scenario.trial,
            "kind": trial.truth.pile_kinds[p],
            "started_on": plan.started_on.isoformat(),
            "length_m": trial.piles[p].recipe.length_m,
            "width_m": trial.piles[p].recipe.width_m,
            "height_m": trial.piles[p].recipe.height_m,
            "volume_m3": trial.piles[p].recipe.volume_m3,
            "water_added_l": trial.piles[p].recipe.water_added_l,
        }
        for p in _piles_of(trial, site)
    )


def feedstocks(trial: SimulatedTrial, site: int) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site": trial.scenario.sites[site].code,
            "pile": trial.truth.pile_codes[p],
            "ingredient": name,
            "wet_mass_kg": line.wet_mass_kg,
            "moisture_pct": _pct(line.moisture),
            "carbon_pct": _pct(line.carbon),
            "nitrogen_pct": _pct(line.nitrogen),
            "bulk_density_kg_m3": density,
        }
        for p in _piles_of(trial, site)
        for name, line, density in trial.piles[p].recipe.lines
    )


def turnings(trial: SimulatedTrial, site: int) -> pd.DataFrame:
    plan = trial.scenario.sites[site]
    return pd.DataFrame(
        [
            {
                "site": plan.code,
                "pile": trial.truth.pile_codes[p],
                "turned_at": moment,
                "water_added_l": round(2.0 * trial.piles[p].recipe.volume_m3 * (turn % 3), 0),
                "notes": "",
            }
            for p in _piles_of(trial, site)
            for turn, moment in enumerate(_moments(plan, trial.piles[p].turned))
        ],
        columns=["site", "pile", "turned_at", "water_added_l", "notes"],
    )


def temperatures(trial: SimulatedTrial, site: int, *, fahrenheit: bool = False) -> pd.DataFrame:
    """Readings of a site, either of its Celsius probes or of its Fahrenheit ones; may be empty."""
    plan = trial.scenario.sites[site]
    column = "temperature_f" if fahrenheit else "temperature_c"
    parts = []
    for p in _piles_of(trial, site):
        for series in trial.piles[p].probes:
            if ((p, series.probe) == trial.fahrenheit) != fahrenheit:
                continue
            reading = np.round(series.celsius * 1.8 + 32.0, 1) if fahrenheit else series.celsius
            parts.append(
                pd.DataFrame(
                    {
                        "site": plan.code,
                        "pile": trial.truth.pile_codes[p],
                        "probe": series.probe,
                        "measured_at": _moments(plan, series.hour),
                        column: reading,
                    }
                )
            )
    if not parts:
        return pd.DataFrame(columns=["site", "pile", "probe", "measured_at", column])
    return pd.concat(parts, ignore_index=True)


def bags(trial: SimulatedTrial) -> pd.DataFrame:
    """Every bag of the trial, by site and label."""
    scenario, draw = trial.scenario, trial.bags
    n = draw.label.size
    started = started_on(trial)[draw.site]
    order = np.arange(n)
    frame = pd.DataFrame(
        {
            "trial": scenario.trial,
            "site": codes(scenario.sites)[draw.site],
            "pile": np.array(trial.truth.pile_codes)[draw.pile],
            "bag_label": draw.label,
            "material": codes(scenario.materials)[draw.material],
            "buried_on": started.astype(str),
            "initial_mass_g": draw.initial_mass_g,
            "initial_moisture_pct": draw.initial_moisture_pct,
            "pieces": 4,
            "mesh_mm": 1.0,
            "depth_cm": np.array([55, 45, 30])[order % 3],
            "stratum": STRATA[order % 3],
            "planned_days": draw.planned_day,
            "purpose": np.where(draw.travel, "travel", "sample"),
        }
    )
    return frame.sort_values("bag_label", ignore_index=True)


def _piles_of(trial: SimulatedTrial, site: int) -> list[int]:
    return np.flatnonzero(trial.truth.site_of_pile == site).tolist()


def _pct(fraction: float | None) -> float | None:
    return None if fraction is None else round(100.0 * fraction, 3)


def codes(plans: tuple) -> np.ndarray:
    return np.array([plan.code for plan in plans])


def started_on(trial: SimulatedTrial) -> np.ndarray:
    return np.array([site.started_on for site in trial.scenario.sites], dtype="datetime64[D]")


def _moments(site: SitePlan, hours: IntArray) -> np.ndarray:
    """ISO 8601 text of hours since local midnight of the first day: UTC, or the local clock."""
    midnight = datetime.combine(site.started_on, time(), ZoneInfo(site.time_zone))
    if site.writes_utc:
        start = np.datetime64(midnight.astimezone(UTC).replace(tzinfo=None), "s")
    else:
        start = np.datetime64(midnight.replace(tzinfo=None), "s")
    text = np.datetime_as_string(start + hours * np.timedelta64(1, "h"), unit="s")
    return np.char.add(text, "Z") if site.writes_utc else text
