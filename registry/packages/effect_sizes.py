"""Effect sizes per material and site, and per pile: what a meta-analysis starts from.

Rates come from stage 1 of the two-stage summary (log scale, with sampling variance). The percent
lost at a scheduled day is plain: bags looked at within the trial's window of that day, mean of
their percent lost, and SD² / n as variance. Lost, damaged and excluded bags are not in it; a bag
with nothing left counts as 100 %.
"""

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from registry.packages.estimates import Record
from registry.packages.looks import looks_of, pooling_settings
from registry.packages.shapes import Tables
from registry.packages.tables import EFFECT_SIZES
from registry.science.pile_rates import pile_rates
from registry.science.readings import DaysReading

RATE_MEASURES = {"decay_rate": "log_decay_rate", "days_to_90": "log_days_to_90"}
COLUMNS = list(EFFECT_SIZES.column_names)


def effect_sizes(tables: Tables, estimates: Sequence[Record]) -> pd.DataFrame:
    """The table of effect sizes; `tables["retrievals"]` must hold its derived columns."""
    rows = [
        *_site_rates(estimates),
        *_pile_rates(tables),
        *_percent_lost(tables, "site", ["site"]),
        *_percent_lost(tables, "pile", ["site", "pile"]),
    ]
    return pd.DataFrame.from_records(rows, columns=COLUMNS).astype({"pile": object, "day": "Int64"})


def _site_rates(estimates: Sequence[Record]) -> Iterator[dict[str, Any]]:
    for found in estimates:
        measure = RATE_MEASURES.get(found["outcome"])
        if measure is None or found["model"] != "two_stage" or found["heat_class"] != "all":
            continue
        for site in found["sites"]:
            if site["log_estimate"] is None:
                continue
            error = site["log_standard_error"]
            yield {
                "level": "site",
                "material": found["material"],
                "site": site["site"],
                "measure": measure,
                "effect": site["log_estimate"],
                "variance": None if error is None else error**2,
                "n_piles": site["n_piles"],
                "n_bags": site["n_bags"],
            }


def _pile_rates(tables: Tables) -> Iterator[dict[str, Any]]:
    primary_day, schedule = pooling_settings(tables)
    for pile in pile_rates(looks_of(tables), primary_day=primary_day, schedule_days=schedule):
        place = {
            "level": "pile",
            "material": pile.material,
            "site": pile.site,
            "pile": pile.pile,
            "n_piles": 1,
            "n_bags": pile.n_looks,
        }
        rate = {"measure": "log_decay_rate", "effect": pile.log_rate, "variance": pile.variance}
        yield place | rate
        yield place | _log_days(pile.log_rate, pile.variance, pile.lag_days)


def _log_days(theta: float, variance: float, lag: float) -> dict[str, Any]:
    """Days to 90 % lost at this rate, its lag taken as known; variance by the delta method."""
    reading = DaysReading()
    days = reading.of_rate(math.exp(theta), lag)
    effect, error = reading.logs(days, lag, math.sqrt(variance))
    squared = None if error is None else error**2
    return {"measure": "log_days_to_90", "effect": effect, "variance": squared}


def _percent_lost(tables: Tables, level: str, unit: list[str]) -> list[dict[str, Any]]:
    looks = _weighed_on_schedule(tables)
    looks["place"] = looks["site"] + "/" + looks["pile"]
    cells = looks.groupby(["material", *unit, "scheduled"], sort=True).agg(
        effect=("lost_pct", "mean"),
        sd=("lost_pct", "std"),
        n_bags=("lost_pct", "size"),
        n_piles=("place", "nunique"),
    )
    cells = cells.reset_index().rename(columns={"scheduled": "day"})
    cells["variance"] = cells["sd"] ** 2 / cells["n_bags"]
    return list(cells.assign(level=level, measure="disintegration_pct").to_dict("records"))


def _weighed_on_schedule(tables: Tables) -> pd.DataFrame:
    """Looks with a usable residue near a scheduled day, with the percent lost."""
    _, schedule = pooling_settings(tables)
    window = float(tables["trials"].iloc[0]["window_days"])
    looks = tables["retrievals"].merge(
        tables["bags"][["trial", "bag_label", "purpose"]], on=["trial", "bag_label"]
    )
    sample = looks["purpose"].fillna("sample").eq("sample")
    looks = looks[sample & ~looks["excluded"].astype(bool) & looks["remaining"].notna()]
    days = np.array(sorted(schedule), dtype=float)
    distance = np.abs(looks["day"].to_numpy(dtype=float)[:, None] - days[None, :])
    nearest = distance.argmin(axis=1) if len(looks) else np.zeros(0, dtype=int)
    looks = looks.assign(
        scheduled=days[nearest].astype(int),
        lost_pct=100.0 * (1.0 - looks["remaining"].astype(float)),
    )
    near = distance.min(axis=1) <= window if len(looks) else np.zeros(0, dtype=bool)
    # A fixed order, so that a mean does not depend on how the rows arrived, not in its last bit.
    return looks[near].sort_values(["bag_label", "day"], kind="stable").reset_index(drop=True)
