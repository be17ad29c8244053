"""The looks of a trial as the pooling reads them, by binary columns: no Python object per value."""

from collections.abc import Iterable, Sequence

import numpy as np
from django.db import connection

from registry.columns import OUTCOMES, PURPOSES
from registry.models import Material, Pile, Trial
from registry.queries.binary_columns import WORD, place_in, read_columns
from registry.queries.exclusions import LOOK_IS_EXCLUDED
from registry.science.coded import Coded
from registry.science.looks import code_looks
from registry.science.types import BagLooks, IntArray
from registry.science.weighings import Weighings, columns_from_weighings

# One row per look, with the raw weighings, and whether a coordinator left it out. Small whole
# numbers travel in one: outcome, purpose, excluded, score (blank is 0) and day.
_LOOKS = f"""
SELECT bag.pile_id, bag.material_id, bag.label,
       {place_in("look.outcome", OUTCOMES)} + 8 * ({place_in("bag.purpose", PURPOSES)}
         + 4 * (({LOOK_IS_EXCLUDED})::integer + 2 * (coalesce(look.fragmentation + 1, 0)
         + 8 * (look.retrieved_on - bag.buried_on)::bigint))) AS numbers,
       bag.initial_mass_g, coalesce(bag.initial_moisture_pct, 'NaN') AS initial_moisture_pct,
       coalesce(look.dry_mass_g, 'NaN') AS dry_mass_g, coalesce(look.ash_pct, 'NaN') AS ash_pct,
       coalesce(look.contaminant_ash_pct, 'NaN') AS contaminant_ash_pct
  FROM registry_retrieval look
  JOIN registry_bag bag ON bag.id = look.bag_id
 WHERE bag.trial_id = %(trial)s
   AND (%(material)s::bigint IS NULL OR bag.material_id = %(material)s)
   AND (%(pile)s::bigint IS NULL OR bag.pile_id = %(pile)s)
   AND (NOT %(controls)s OR bag.material_id IN (SELECT id FROM registry_material
                                                 WHERE role <> 'test'))
"""
_COLUMNS = {
    **dict.fromkeys(("pile_id", "material_id", "numbers"), "bigint"),
    "label": WORD,
    "initial_mass_g": "float8",
    "initial_moisture_pct": "float8",
    "dry_mass_g": "float8",
    "ash_pct": "float8",
    "contaminant_ash_pct": "float8",
}
_PILES = """
SELECT pile.id, site.code, pile.code
  FROM registry_pile pile JOIN registry_site site ON site.id = pile.site_id
 WHERE pile.trial_id = %s
"""
_MATERIALS = "SELECT id, code, role, initial_ash_pct FROM registry_material WHERE id = ANY(%s)"


def looks_of(
    trial: Trial,
    *,
    material: Material | None = None,
    pile: Pile | None = None,
    controls_only: bool = False,
    heat: dict[tuple[str, str], str] | None = None,
) -> BagLooks:
    """The looks of a trial, of one of its materials or piles, or of its controls; `heat` by (site,
    pile)."""
    wanted = {
        "trial": trial.pk,
        "material": None if material is None else material.pk,
        "pile": None if pile is None else pile.pk,
        "controls": controls_only,
    }
    found = read_columns(_LOOKS, wanted, _COLUMNS)
    pile_ids, pile_of = np.unique(found["pile_id"], return_inverse=True)
    material_ids, kind = np.unique(found["material_id"], return_inverse=True)
    with connection.cursor() as cursor:
        cursor.execute(_PILES, [trial.pk])
        piles = {pk: (site, code) for pk, site, code in cursor.fetchall()}
        cursor.execute(_MATERIALS, [material_ids.tolist()])
        materials = {pk: facts for pk, *facts in cursor.fetchall()}
    places = [piles[pk] for pk in pile_ids.tolist()]
    facts = [materials[pk] for pk in material_ids.tolist()]
    ash = np.array([np.nan if ash is None else ash for _, _, ash in facts], dtype=float)
    outcome, purpose, excluded, score, day = _unpacked(found["numbers"])
    weighings = Weighings(
        site=Coded.from_codes(pile_of, [site for site, _ in places]),
        pile=Coded.from_codes(pile_of, [code for _, code in places]),
        material=Coded.from_codes(kind, [code for code, _, _ in facts]),
        bag=_coded_labels(found["label"]),
        day=day.astype(float),
        outcome=Coded.from_codes(outcome, OUTCOMES),
        purpose=Coded.from_codes(purpose, PURPOSES),
        initial_mass_g=found["initial_mass_g"],
        initial_moisture_pct=found["initial_moisture_pct"],
        dry_mass_g=found["dry_mass_g"],
        ash_pct=found["ash_pct"],
        contaminant_ash_pct=found["contaminant_ash_pct"],
        initial_ash_pct=ash[kind] if len(ash) else np.empty(0),
        fragmentation=np.where(score > 0, score - 1.0, np.nan),
        role=Coded.from_codes(kind, [role for _, role, _ in facts]),
        excluded=excluded.astype(bool),
        detection_limit=trial.detection_limit,
    )
    return code_looks(columns_from_weighings(weighings, trial=trial.code, pile_heat=heat or {}))


def _unpacked(numbers: IntArray) -> Iterable[IntArray]:
    for size in (8, 4, 2, 8):
        yield numbers % size
        numbers = numbers // size
    yield numbers


def _coded_labels(labels: np.ndarray) -> Coded:
    """Labels are ASCII, so their bytes sort as their characters do."""
    distinct, code = np.unique(labels, return_inverse=True)
    words: Sequence[str] = np.char.decode(distinct, "ascii").tolist() if len(distinct) else []
    return Coded(tuple(words), code.reshape(-1))
