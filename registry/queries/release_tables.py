"""Every table of a release, read from the database; names and order of columns as published.

Nothing personal leaves with them: observers become pseudonyms within their site, coordinates are
rounded, and who corrected or decided is not told.
"""

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any

import numpy as np
import pandas as pd
from django.db import connection

from registry.models import ProbeDay, Trial
from registry.models.site import PUBLIC_COORDINATE_DECIMALS

_MATERIALS_OF_TRIAL = """
    SELECT material_id FROM registry_trial_materials WHERE trial_id = %(trial)s
    UNION SELECT material_id FROM registry_bag WHERE trial_id = %(trial)s
    UNION SELECT reference_material_id FROM registry_trial
           WHERE id = %(trial)s AND reference_material_id IS NOT NULL
"""
_SITES_OF_TRIAL = """
    SELECT site_id FROM registry_trial_sites WHERE trial_id = %(trial)s
    UNION SELECT site_id FROM registry_pile WHERE trial_id = %(trial)s
"""
# A look, by the columns that name it in the package.
_LOOK = "trial.code AS trial, bag.label AS bag_label, look.retrieved_on"
_FROM_LOOK = """
    JOIN registry_bag bag ON bag.id = look.bag_id
    JOIN registry_trial trial ON trial.id = bag.trial_id
"""

# Rows of a probe and a day opened at a time.
BATCH = 2000

SELECTS: dict[str, str] = {
    "institutions": f"""
        SELECT code AS institution, name, country, ror FROM registry_institution
         WHERE id IN (SELECT institution_id FROM registry_site WHERE id IN ({_SITES_OF_TRIAL}))
         ORDER BY code""",
    "sites": f"""
        SELECT site.code AS site, institution.code AS institution, site.name, site.country,
               site.time_zone,
               round(site.latitude::numeric, {PUBLIC_COORDINATE_DECIMALS})::float8 AS latitude,
               round(site.longitude::numeric, {PUBLIC_COORDINATE_DECIMALS})::float8 AS longitude
          FROM registry_site site JOIN registry_institution institution
            ON institution.id = site.institution_id
         WHERE site.id IN ({_SITES_OF_TRIAL}) ORDER BY site.code""",
    "trials": """
        SELECT trial.code AS trial, trial.title,
               array_to_string(trial.schedule_days, ' ') AS schedule_days, trial.primary_day,
               trial.detection_limit, trial.window_days, material.code AS reference_material
          FROM registry_trial trial
          LEFT JOIN registry_material material ON material.id = trial.reference_material_id
         WHERE trial.id = %(trial)s""",
    "materials": f"""
        SELECT code AS material, name, form, role, thickness_um, area_density_g_m2, coating,
               colour, batch, drying_limit_c, initial_ash_pct, notes
          FROM registry_material WHERE id IN ({_MATERIALS_OF_TRIAL}) ORDER BY code""",
    "compositions": f"""
        SELECT material.code AS material, part.component, part.function, part.mass_pct
          FROM registry_composition part
          JOIN registry_material material ON material.id = part.material_id
         WHERE material.id IN ({_MATERIALS_OF_TRIAL}) ORDER BY material.code, part.component""",
    "piles": """
        SELECT site.code AS site, pile.code AS pile, trial.code AS trial, pile.kind,
               pile.started_on, pile.length_m, pile.width_m, pile.height_m, pile.volume_m3,
               pile.water_added_l
          FROM registry_pile pile
          JOIN registry_site site ON site.id = pile.site_id
          JOIN registry_trial trial ON trial.id = pile.trial_id
         WHERE pile.trial_id = %(trial)s ORDER BY site.code, pile.code""",
    "feedstocks": """
        SELECT site.code AS site, pile.code AS pile, line.ingredient, line.wet_mass_kg,
               line.moisture_pct, line.carbon_pct, line.nitrogen_pct, line.bulk_density_kg_m3
          FROM registry_feedstock line
          JOIN registry_pile pile ON pile.id = line.pile_id
          JOIN registry_site site ON site.id = pile.site_id
         WHERE pile.trial_id = %(trial)s ORDER BY site.code, pile.code, line.ingredient""",
    "turnings": """
        SELECT site.code AS site, pile.code AS pile, turning.turned_at, turning.water_added_l,
               turning.moisture_pct, turning.notes
          FROM registry_turning turning
          JOIN registry_pile pile ON pile.id = turning.pile_id
          JOIN registry_site site ON site.id = pile.site_id
         WHERE pile.trial_id = %(trial)s ORDER BY site.code, pile.code, turning.turned_at""",
    "bags": """
        SELECT trial.code AS trial, site.code AS site, pile.code AS pile, bag.label AS bag_label,
               material.code AS material, bag.buried_on, bag.initial_mass_g,
               bag.initial_moisture_pct, bag.pieces, bag.mesh_mm, bag.depth_cm, bag.stratum,
               bag.planned_days, bag.purpose
          FROM registry_bag bag
          JOIN registry_trial trial ON trial.id = bag.trial_id
          JOIN registry_pile pile ON pile.id = bag.pile_id
          JOIN registry_site site ON site.id = pile.site_id
          JOIN registry_material material ON material.id = bag.material_id
         WHERE bag.trial_id = %(trial)s ORDER BY bag.label""",
    "retrievals": f"""
        SELECT {_LOOK}, look.outcome, look.reburied, look.wet_mass_g, look.dry_mass_g,
               look.ash_pct, look.contaminant_ash_pct, look.sieve_mm, look.drying_c,
               look.fragmentation, look.growth, look.brittleness, look.cracking,
               look.discolouration,
               CASE WHEN look.observer <> '' THEN site.code || '-' || dense_rank()
                    OVER (PARTITION BY site.id ORDER BY look.observer = '', look.observer)
               END AS observer,
               look.notes, look.revision
          FROM registry_retrieval look {_FROM_LOOK}
          JOIN registry_pile pile ON pile.id = bag.pile_id
          JOIN registry_site site ON site.id = pile.site_id
         WHERE bag.trial_id = %(trial)s ORDER BY bag.label, look.retrieved_on""",
    "flags": """
        SELECT row_number() OVER (ORDER BY site.code, pile.code, flag.probe, bag.label,
                                  look.retrieved_on, flag.code, flag.rule_version) AS flag,
               site.code AS site, pile.code AS pile, nullif(flag.probe, '') AS probe,
               CASE WHEN bag.id IS NOT NULL THEN trial.code END AS trial,
               bag.label AS bag_label, look.retrieved_on,
               flag.code, flag.rule_version, flag.message, nullif(flag.unit, '') AS unit,
               flag.found, flag.limit_low, flag.limit_high, flag.compared_with, flag.n_compared,
               flag.from_at, flag.until_at, flag.decision, flag.reason, flag.decided_at
          FROM registry_flag flag
          JOIN registry_pile pile ON pile.id = flag.pile_id
          JOIN registry_site site ON site.id = pile.site_id
          JOIN registry_trial trial ON trial.id = pile.trial_id
          LEFT JOIN registry_retrieval look ON look.id = flag.retrieval_id
          LEFT JOIN registry_bag bag ON bag.id = coalesce(flag.bag_id, look.bag_id)
         WHERE pile.trial_id = %(trial)s
         ORDER BY 1""",
    "corrections": f"""
        SELECT {_LOOK},
               row_number() OVER (PARTITION BY look.id ORDER BY correction.id) AS number,
               correction.field, correction.old_value, correction.new_value, correction.reason,
               correction.made_at
          FROM registry_correction correction
          JOIN registry_retrieval look ON look.id = correction.retrieval_id {_FROM_LOOK}
         WHERE bag.trial_id = %(trial)s
         ORDER BY bag.label, look.retrieved_on, correction.id""",
}


def release_tables(trial: Trial) -> dict[str, pd.DataFrame]:
    """One frame per published table, raw columns only; derived ones are computed by the package."""
    tables = {name: _frame(select, trial) for name, select in SELECTS.items()}
    tables["temperatures"] = _temperatures(trial)
    return tables


def _frame(select: str, trial: Trial) -> pd.DataFrame:
    with connection.cursor() as cursor:
        cursor.execute(select, {"trial": trial.pk})
        names = [column.name for column in cursor.description]
        return pd.DataFrame(cursor.fetchall(), columns=names, dtype=object)


def _temperatures(trial: Trial) -> pd.DataFrame:
    """One row per reading, opened up from the rows of a probe and a day."""
    days = ProbeDay.objects.filter(pile__trial=trial).order_by(
        "pile__site__code", "pile__code", "probe", "day"
    )
    columns = ("pile__site__code", "pile__code", "probe", "day", "seconds", "celsius")
    rows = days.values_list(*columns).iterator(chunk_size=BATCH)
    parts = [_readings(batch) for batch in _batches(rows, BATCH)]
    if not parts:
        return pd.DataFrame(columns=["site", "pile", "probe", "measured_at", "temperature_c"])
    return pd.concat(parts, ignore_index=True)


def _readings(days: Sequence[tuple[Any, ...]]) -> pd.DataFrame:
    site, pile, probe, day, seconds, celsius = zip(*days, strict=True)
    count = [len(part) for part in seconds]
    midnight = np.repeat(np.asarray(day, dtype="datetime64[s]"), count)
    since = np.concatenate([np.asarray(part, dtype="timedelta64[s]") for part in seconds])
    return pd.DataFrame(
        {
            "site": np.repeat(np.asarray(site, dtype=object), count),
            "pile": np.repeat(np.asarray(pile, dtype=object), count),
            "probe": np.repeat(np.asarray(probe, dtype=object), count),
            "measured_at": midnight + since,
            "temperature_c": np.concatenate([np.asarray(part, dtype=float) for part in celsius]),
        }
    )


def _batches(rows: Iterator[tuple[Any, ...]], size: int) -> Iterator[list[tuple[Any, ...]]]:
    while batch := list(islice(rows, size)):
        yield batch
