"""Everything the pooling of a trial reads, in one place: the looks, and the digest that names them.

The digest is computed inside Postgres, so that asking "is this still the same data?" costs one pass
over the trial and moves no rows.
"""

import hashlib
from dataclasses import dataclass

from django.db import connection

from registry.models import Trial
from registry.queries.looks_of_trial import looks_of
from registry.queries.material_facts import material_facts
from registry.queries.pile_heat import classes_of, heat_summaries, warmth_of
from registry.science.explanations import Warmth
from registry.science.formulation import MaterialFacts
from registry.science.types import BagLooks


@dataclass(frozen=True, slots=True)
class PoolingInput:
    """What one run pools: the looks, the trial's settings that matter, what may explain a rate."""

    looks: BagLooks
    materials: tuple[MaterialFacts, ...]
    warmth: dict[tuple[str, str], Warmth]
    primary_day: int
    schedule_days: tuple[int, ...]
    window_days: int
    reference_material: str | None


# Sums of row hashes do not depend on the order of the rows and need no sort.
_DIGEST = """
SELECT
  (SELECT count(*) || ':' || coalesce(sum(hashtextextended(concat_ws('|',
            look.id, look.revision, look.retrieved_on, look.outcome, look.dry_mass_g,
            look.ash_pct, look.contaminant_ash_pct, look.fragmentation,
            bag.id, bag.pile_id, bag.material_id, bag.buried_on, bag.purpose,
            bag.initial_mass_g, bag.initial_moisture_pct), 0)::numeric), 0)
     FROM registry_retrieval look JOIN registry_bag bag ON bag.id = look.bag_id
    WHERE bag.trial_id = %(trial)s),
  (SELECT count(*) || ':' || coalesce(sum(hashtextextended(concat_ws('|',
            flag.id, flag.exclusion_changes), 0)::numeric), 0)
     FROM registry_flag flag JOIN registry_pile pile ON pile.id = flag.pile_id
    WHERE pile.trial_id = %(trial)s AND flag.exclusion_changes > 0),
  (SELECT coalesce(sum(hashtextextended(concat_ws('|', id, role, initial_ash_pct,
            form, thickness_um, coating), 0)::numeric), 0)
     FROM registry_material),
  (SELECT coalesce(sum(hashtextextended(concat_ws('|',
            material_id, component, function, mass_pct), 0)::numeric), 0)
     FROM registry_composition),
  (SELECT count(*) || ':' || coalesce(sum(hashtextextended(concat_ws('|',
            day.pile_id, day.probe, day.day, day.count, day.mean_c, day.highest_c), 0)::numeric), 0)
     FROM registry_probeday day JOIN registry_pile pile ON pile.id = day.pile_id
    WHERE pile.trial_id = %(trial)s),
  (SELECT count(*) || ':' || coalesce(sum(hashtextextended(concat_ws('|',
            turning.pile_id, extract(epoch from turning.turned_at)), 0)::numeric), 0)
     FROM registry_turning turning JOIN registry_pile pile ON pile.id = turning.pile_id
    WHERE pile.trial_id = %(trial)s)
"""


def gather(trial: Trial) -> PoolingInput:
    """Read the looks of a trial, as `BagLooks`, with the heat class of every pile."""
    summaries = heat_summaries(trial)
    return PoolingInput(
        looks=looks_of(trial, heat=classes_of(summaries)),
        materials=material_facts(trial),
        warmth=warmth_of(summaries),
        primary_day=trial.primary_day,
        schedule_days=tuple(trial.schedule_days),
        window_days=trial.window_days,
        reference_material=_reference(trial),
    )


def digest(trial: Trial) -> str:
    """SHA-256 that changes when, and only when, something the pooling reads has changed."""
    with connection.cursor() as cursor:
        cursor.execute(_DIGEST, {"trial": trial.pk})
        parts = cursor.fetchone()
    settings = (
        trial.detection_limit,
        trial.primary_day,
        trial.window_days,
        _reference(trial),
        *trial.schedule_days,
    )
    text = "\n".join(str(part) for part in (*parts, *settings))
    return hashlib.sha256(text.encode()).hexdigest()


def has_looks(trial: Trial) -> bool:
    return trial.bags.filter(retrievals__isnull=False).exists()


def _reference(trial: Trial) -> str | None:
    return trial.reference_material.code if trial.reference_material else None
