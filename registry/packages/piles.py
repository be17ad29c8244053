"""Piles with what follows from their feedstock lines, turnings and temperatures."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from registry.packages.shapes import Tables
from registry.packages.tables import BY_NAME, DERIVED_OF_PILE
from registry.science.heat_class import ProbeLog, pile_heat
from registry.science.recipe import Ingredient, mix
from registry.science.thermal import THRESHOLDS_C
from registry.science.types import FloatArray

PILE_KEY = ["site", "pile"]
DERIVED_NAMES = [column.name for column in DERIVED_OF_PILE]
# A probe with this in its code hangs in the air, as in the registry's own reading of the logs.
AIR = "AIR"
SECONDS_PER_HOUR = 3600.0


def derived_piles(tables: Tables) -> pd.DataFrame:
    """`piles` with its raw columns kept and every derived one computed anew."""
    piles = tables["piles"].drop(columns=DERIVED_NAMES, errors="ignore")
    lines = dict(list(tables["feedstocks"].groupby(PILE_KEY)))
    logs = dict(list(_kept_readings(tables).groupby(PILE_KEY)))
    turned = dict(list(tables["turnings"].groupby(PILE_KEY)))
    rows = []
    for pile in piles.to_dict("records"):
        key = (pile["site"], pile["pile"])
        rows.append(
            pile | _recipe(pile, lines.get(key)) | _heat(pile, logs.get(key), turned.get(key))
        )
    return pd.DataFrame(rows, columns=list(BY_NAME["piles"].column_names), dtype=object)


def _kept_readings(tables: Tables) -> pd.DataFrame:
    """Readings without those of the probes that a coordinator left out."""
    flags = tables["flags"]
    left_out = flags[flags["decision"].eq("exclude") & flags["probe"].notna()]
    readings = tables["temperatures"]
    if left_out.empty:
        return readings
    probe = [*PILE_KEY, "probe"]
    marked = readings.merge(left_out[probe].drop_duplicates(), on=probe, how="left", indicator="in")
    return marked[marked.pop("in").eq("left_only")]


def _recipe(pile: Mapping[str, Any], lines: pd.DataFrame | None) -> dict[str, Any]:
    if lines is None:
        return {}
    ingredients = [
        Ingredient(
            wet_mass_kg=float(line["wet_mass_kg"]),
            moisture=_fraction(line["moisture_pct"]),
            carbon=_fraction(line["carbon_pct"]),
            nitrogen=_fraction(line["nitrogen_pct"]),
        )
        for line in lines.sort_values("ingredient").to_dict("records")
    ]
    water = pile["water_added_l"]
    found = mix(ingredients, 0.0 if pd.isna(water) else float(water))
    return {
        "recipe_moisture_pct": None if found.moisture is None else 100.0 * found.moisture,
        "recipe_cn_ratio": found.cn_ratio,
    }


def _heat(
    pile: Mapping[str, Any], log: pd.DataFrame | None, turned: pd.DataFrame | None
) -> dict[str, Any]:
    if log is None:
        return {}
    probes = [_probe_log(str(probe), readings) for probe, readings in log.groupby("probe")]
    air = next((probe for probe in probes if AIR in probe.probe), None)
    inside = [probe for probe in probes if probe is not air]
    turned_hours = np.empty(0) if turned is None else np.sort(_hours(turned["turned_at"]))
    found = pile_heat(inside, turned_hours, pile["kind"], air=air)
    thermal = found.thermal
    above = zip(THRESHOLDS_C, thermal.hours_above, strict=True)
    return {
        "heat_class": found.heat_class,
        "heat_probe": found.probe,
        "logged_h": thermal.logged_h,
        "coverage_pct": found.coverage_pct,
        "highest_c": thermal.max_c,
        "mean_c": thermal.mean_c,
        **{f"hours_above_{threshold:g}": hours for threshold, hours in above},
        "longest_run_55_h": thermal.longest_run_at_least_h(55.0),
        "degree_hours_40": thermal.degree_hours,
        "turnings_in_hot_phase": thermal.turnings_in_hot_phase,
    }


def _probe_log(probe: str, readings: pd.DataFrame) -> ProbeLog:
    hours = _hours(readings["measured_at"])
    order = np.argsort(hours, kind="stable")
    return ProbeLog(probe, hours[order], readings["temperature_c"].to_numpy(dtype=float)[order])


def _hours(moments: pd.Series) -> FloatArray:
    """Hours since 1970 UTC."""
    seconds = pd.to_datetime(moments, utc=True).dt.as_unit("s").astype("int64")
    return seconds.to_numpy(dtype=float) / SECONDS_PER_HOUR


def _fraction(percent: Any) -> float | None:
    return None if pd.isna(percent) else float(percent) / 100.0
