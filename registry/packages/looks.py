"""Looks at bags with the fraction remaining, and the same as the pooling reads them.

The fractions come from the same science that the pooling reads, so that a package shows exactly
what was pooled.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from registry.packages.errors import PackageFault
from registry.packages.heat import LOOK_HEAT, PileHeat, PileKey, look_columns
from registry.packages.shapes import Tables
from registry.packages.tables import BY_NAME, DERIVED_OF_RETRIEVAL
from registry.science.looks import code_looks
from registry.science.mass_balance import UPPER_LIMIT_ABOVE, oven_dry_mass_g
from registry.science.types import BagLooks, LookColumns
from registry.science.weighings import Weighings, columns_from_weighings

LOOK_KEY = ["trial", "bag_label", "retrieved_on"]
BAG_KEY = ["trial", "bag_label"]
DERIVED_NAMES = [column.name for column in DERIVED_OF_RETRIEVAL]


def looks_of(tables: Tables) -> BagLooks:
    """The looks of a package, built from its raw columns alone."""
    return code_looks(_look_columns(tables, _joined(tables)))


def pooling_settings(tables: Tables) -> tuple[int, tuple[int, ...]]:
    """Primary day and schedule, as the trial's protocol has them."""
    trial = tables["trials"].iloc[0]
    return int(trial["primary_day"]), tuple(int(day) for day in trial["schedule_days"].split())


def comparison_settings(tables: Tables) -> tuple[float, str | None]:
    """Window of the primary day, and the material that others are compared with."""
    trial = tables["trials"].iloc[0]
    reference = trial["reference_material"]
    return float(trial["window_days"]), reference if isinstance(reference, str) else None


def derived_looks(tables: Tables, heats: Mapping[PileKey, PileHeat]) -> pd.DataFrame:
    """`retrievals` with its raw columns kept and every derived one computed anew.

    Raises PackageFault when a look has no bag or a bag no pile.
    """
    looks = _joined(tables)
    columns = _look_columns(tables, looks)
    gone = (looks["outcome"] == "nothing_left").to_numpy()
    moisture = np.nan_to_num(_numbers(looks["initial_moisture_pct"])) / 100.0
    start = oven_dry_mass_g(_numbers(looks["initial_mass_g"]), moisture)
    uncorrected = np.where(gone, 0.0, _numbers(looks["dry_mass_g"]) / start)
    remaining = np.where(gone, 0.0, columns.remaining)
    raw = [name for name in BY_NAME["retrievals"].column_names if name not in DERIVED_NAMES]
    derived = looks[raw].copy()
    derived["flags"] = looks["flags"].where(looks["flags"].notna(), None)
    derived["excluded"] = looks["excluded"].to_numpy()
    derived["exclusion_reason"] = looks["exclusion_reason"]
    for name in ("site", "pile", "material"):
        derived[name] = looks[name].to_numpy()
    derived["day"] = columns.day
    derived["start_dry_g"] = start
    derived["remaining_uncorrected"] = uncorrected
    derived["remaining"] = remaining
    corrected = np.asarray(columns.ash_corrected, bool)
    derived["ash_corrected"] = corrected
    derived["upper_limit"] = ~corrected & (uncorrected > UPPER_LIMIT_ABOVE)
    derived["measurement_sd"] = np.asarray(columns.measurement_sd, float)
    derived["detection_limit"] = columns.detection_limit
    derived["missing_reason"] = _missing_reason(looks["outcome"], remaining)
    zones = dict(zip(tables["sites"]["site"], tables["sites"]["time_zone"], strict=True))
    derived[list(LOOK_HEAT)] = look_columns(looks, heats, zones)
    return derived[list(BY_NAME["retrievals"].column_names)]


def _joined(tables: Tables) -> pd.DataFrame:
    """Looks with the columns of their bag, pile, material and flags."""
    raw = tables["retrievals"].drop(columns=DERIVED_NAMES, errors="ignore")
    bag_columns = [*BAG_KEY, "site", "pile", "material", "buried_on", "purpose"]
    bag_columns += ["initial_mass_g", "initial_moisture_pct"]
    looks = raw.merge(tables["bags"][bag_columns], on=BAG_KEY, how="left")
    if looks["site"].isna().any():
        orphan = looks.loc[looks["site"].isna(), "bag_label"].iloc[0]
        raise PackageFault(f"A look names bag {orphan}, which is not in the table of bags.")
    materials = tables["materials"][["material", "role", "initial_ash_pct"]]
    looks = looks.merge(materials, on="material", how="left")
    if looks["role"].isna().any():
        orphan = looks.loc[looks["role"].isna(), "material"].iloc[0]
        raise PackageFault(f"Material {orphan} is not in the table of materials.")
    looks = looks.merge(_findings(tables["flags"], looks), on=LOOK_KEY, how="left")
    looks["excluded"] = looks["excluded"].eq(True)
    return looks


def _findings(flags: pd.DataFrame, looks: pd.DataFrame) -> pd.DataFrame:
    """One row per look that a finding is about: codes, and reasons of the exclusions among them.

    A finding about a bag is about all its looks; one about a pile says something of a look when
    the pile was left out.
    """
    places = looks[[*LOOK_KEY, "site", "pile"]]
    told = flags[["code", "rule_version", "decision", "reason"]]
    of_look, of_bag = flags["retrieved_on"].notna(), flags["bag_label"].notna()
    of_pile = ~of_bag & flags["probe"].isna() & flags["decision"].eq("exclude")
    parts = [
        told.join(flags[key])[chosen].merge(places, on=key)
        for key, chosen in (
            (LOOK_KEY, of_look),
            (BAG_KEY, of_bag & ~of_look),
            (["site", "pile"], of_pile),
        )
    ]
    rows = []
    ordered = pd.concat(parts).sort_values([*LOOK_KEY, "code", "rule_version"])
    for key, group in ordered.groupby(LOOK_KEY):
        excluding = group[group["decision"] == "exclude"]
        reasons = "; ".join(f"{row.code}: {row.reason}" for row in excluding.itertuples())
        codes = " ".join(dict.fromkeys(group["code"]))
        rows.append((*key, codes, len(excluding) > 0, reasons or None))
    names = [*LOOK_KEY, "flags", "excluded", "exclusion_reason"]
    return pd.DataFrame(rows, columns=names).astype(
        {"flags": object, "excluded": object, "exclusion_reason": object}
    )


def _look_columns(tables: Tables, looks: pd.DataFrame) -> LookColumns:
    trial = tables["trials"].iloc[0]
    piles = tables["piles"]
    heat = {
        (pile.site, pile.pile): pile.heat_class
        for pile in piles.itertuples()
        if isinstance(pile.heat_class, str)
    }
    elapsed = pd.to_datetime(looks["retrieved_on"]) - pd.to_datetime(looks["buried_on"])
    looks = looks.assign(
        day=elapsed.dt.days.astype(float), purpose=looks["purpose"].fillna("sample")
    )
    # In the order in which the science reads a look.
    names = [
        *("site", "pile", "material", "bag_label", "day", "outcome", "purpose"),
        *("initial_mass_g", "initial_moisture_pct", "dry_mass_g", "ash_pct"),
        *("contaminant_ash_pct", "initial_ash_pct", "fragmentation", "role", "excluded"),
    ]
    rows = looks[names].astype(object)
    rows = rows.where(rows.notna(), None)
    weighings = Weighings.from_rows(
        list(rows.itertuples(index=False, name=None)),
        detection_limit=float(trial["detection_limit"]),
    )
    return columns_from_weighings(weighings, trial=str(trial["trial"]), pile_heat=heat)


def _missing_reason(outcome: pd.Series, remaining: np.ndarray) -> np.ndarray:
    lost = outcome.isin(["bag_lost", "bag_damaged"]).to_numpy()
    reason = np.full(len(outcome), None, dtype=object)
    reason[lost] = outcome.to_numpy(dtype=object)[lost]
    reason[~lost & np.isnan(remaining)] = "not_weighed"
    return reason


def _numbers(values: pd.Series) -> np.ndarray:
    return pd.to_numeric(values).to_numpy(dtype=float, na_value=np.nan)
