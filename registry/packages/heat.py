"""The heat of every pile, and of every look: what the speaking probe logged while the bag lay in.

A bag is taken to lie in its pile from noon of the day it was buried to noon of the day of the look,
in the time of its site, so the window is as long as the elapsed days say.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from registry.packages.shapes import Tables
from registry.science.heat_class import HeatSummary, pile_heat
from registry.science.log_heat import ProbeLog, air_and_inside
from registry.science.logger_faults import without_spans
from registry.science.thermal import THRESHOLDS_C, summarise
from registry.science.types import FloatArray

PILE_KEY = ["site", "pile"]
SECONDS_PER_HOUR = 3600.0
NOON = time(12)

PileKey = tuple[str, str]


@dataclass(frozen=True, slots=True)
class PileHeat:
    """A pile's summary, and the log that speaks for it without the spans outside the pile."""

    summary: HeatSummary
    hours: FloatArray  # (n,) since 1970 UTC
    celsius: FloatArray  # (n,)


def heat_of_piles(tables: Tables) -> dict[PileKey, PileHeat]:
    """Heat of every pile that has a log."""
    kinds = {(pile.site, pile.pile): pile.kind for pile in tables["piles"].itertuples()}
    turned = dict(list(tables["turnings"].groupby(PILE_KEY)))
    return {
        key: _heat(readings, turned.get(key), kinds[key])
        for key, readings in _kept_readings(tables).groupby(PILE_KEY)
        if key in kinds
    }


def pile_columns(heat: PileHeat | None) -> dict[str, Any]:
    """The derived columns of `piles` that the log gives; none without a log."""
    if heat is None:
        return {}
    found = heat.summary
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


def look_columns(
    looks: pd.DataFrame, heats: Mapping[PileKey, PileHeat], time_zones: Mapping[str, str]
) -> pd.DataFrame:
    """The derived columns of `retrievals` that the log gives, one row a look, in the same order.

    Looks of one pile with the same burial and day share one computation.
    """
    windows = looks[[*PILE_KEY, "buried_on", "retrieved_on"]]
    known: dict[tuple[Any, ...], dict[str, float | None]] = {}
    for window in windows.drop_duplicates().itertuples(index=False, name=None):
        site, pile, buried, lifted = window
        heat = heats.get((site, pile))
        zone = ZoneInfo(time_zones[site])
        known[window] = _of_window(heat, _noon_h(buried, zone), _noon_h(lifted, zone))
    rows = [known[window] for window in windows.itertuples(index=False, name=None)]
    return pd.DataFrame(rows, index=looks.index, columns=list(LOOK_HEAT), dtype=float)


LOOK_HEAT = (
    "heat_coverage_pct",
    "heat_highest_c",
    "heat_mean_c",
    "heat_hours_above_40",
    "heat_hours_above_55",
    "heat_degree_hours_40",
)


def _of_window(heat: PileHeat | None, start_h: float, end_h: float) -> dict[str, float | None]:
    if heat is None or end_h <= start_h:
        return {}
    first, last = np.searchsorted(heat.hours, [start_h, end_h], side="left")
    thermal = summarise(heat.hours[first:last], heat.celsius[first:last], span_h=end_h - start_h)
    covered: dict[str, float | None] = {"heat_coverage_pct": 100.0 * thermal.coverage}
    if thermal.n_readings == 0:
        return covered
    return covered | {
        "heat_highest_c": thermal.max_c,
        "heat_mean_c": thermal.mean_c,
        "heat_hours_above_40": thermal.hours_at_least(40.0),
        "heat_hours_above_55": thermal.hours_at_least(55.0),
        "heat_degree_hours_40": thermal.degree_hours,
    }


def _noon_h(day: date, zone: ZoneInfo) -> float:
    return datetime.combine(day, NOON, tzinfo=zone).timestamp() / SECONDS_PER_HOUR


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


def _heat(readings: pd.DataFrame, turned: pd.DataFrame | None, kind: str) -> PileHeat:
    logs = {str(probe): _probe_log(str(probe), log) for probe, log in readings.groupby("probe")}
    air, probes = air_and_inside(logs)
    inside = list(probes.values())
    turned_hours = np.empty(0) if turned is None else np.sort(_hours(turned["turned_at"]))
    summary = pile_heat(inside, turned_hours, kind, air=air)
    speaking = probes.get(summary.probe)
    if speaking is None:
        return PileHeat(summary, np.empty(0), np.empty(0))
    spans = tuple(span for span in summary.outside if span.probe == speaking.probe)
    return PileHeat(summary, *without_spans(speaking.hours, speaking.celsius, spans))


def _probe_log(probe: str, readings: pd.DataFrame) -> ProbeLog:
    hours = _hours(readings["measured_at"])
    order = np.argsort(hours, kind="stable")
    return ProbeLog(probe, hours[order], readings["temperature_c"].to_numpy(dtype=float)[order])


def _hours(moments: pd.Series) -> FloatArray:
    """Hours since 1970 UTC."""
    seconds = pd.to_datetime(moments, utc=True).dt.as_unit("s").astype("int64")
    return seconds.to_numpy(dtype=float) / SECONDS_PER_HOUR
