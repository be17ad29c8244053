"""From the columns a lab sends to the columns the pooling reads, in one place for everyone.

The database and a released package hand over the same sixteen raw values per look, in the order
of `Weighings.from_rows`; the mass balance (`mass_balance.py`) turns them into a fraction remaining.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from registry.science.coded import Coded
from registry.science.mass_balance import BagMasses, weigh
from registry.science.types import BoolArray, FloatArray, LookColumns

PER_CENT = 0.01


@dataclass(frozen=True)
class Weighings:
    """Raw values of many looks; sequences and arrays are (n,), nan where not measured.

    Masses in g, moisture and ash in per cent as written in an upload, `day` in days since burial.
    """

    site: Sequence[str]
    pile: Sequence[str]
    material: Sequence[str]
    bag: Sequence[str]
    day: FloatArray
    outcome: Sequence[str]
    purpose: Sequence[str]
    initial_mass_g: FloatArray
    initial_moisture_pct: FloatArray
    dry_mass_g: FloatArray
    ash_pct: FloatArray
    contaminant_ash_pct: FloatArray
    initial_ash_pct: FloatArray
    fragmentation: FloatArray
    role: Sequence[str]
    excluded: BoolArray
    detection_limit: float

    @classmethod
    def from_rows(cls, rows: Sequence[Sequence[Any]], *, detection_limit: float) -> "Weighings":
        """One tuple per look, in the order of the fields above; None where not measured."""
        columns: list[Sequence[Any]] = list(zip(*rows, strict=True)) or [()] * N_COLUMNS
        values: dict[str, Any] = {name: columns[at] for name, at in _WORDS.items()}
        for name, at in _NUMBERS.items():
            values[name] = np.array(columns[at], dtype=float)
        values["excluded"] = np.array(columns[EXCLUDED], dtype=bool)
        return cls(**values, detection_limit=detection_limit)


_ORDER = [name for name in Weighings.__dataclass_fields__ if name != "detection_limit"]
N_COLUMNS = len(_ORDER)
EXCLUDED = _ORDER.index("excluded")
_WORD_NAMES = ("site", "pile", "material", "bag", "outcome", "purpose", "role")
_WORDS = {name: _ORDER.index(name) for name in _WORD_NAMES}
_NUMBERS = {
    name: at for at, name in enumerate(_ORDER) if name not in _WORD_NAMES and at != EXCLUDED
}


def columns_from_weighings(
    raw: Weighings, *, trial: str = "", pile_heat: dict[tuple[str, str], str] | None = None
) -> LookColumns:
    """Mass balance of every look. Raises ScienceError when a start mass is not above zero."""
    balance = weigh(_masses(raw))
    return LookColumns(
        site=raw.site,
        pile=raw.pile,
        material=raw.material,
        bag=raw.bag,
        day=raw.day,
        remaining=balance.remaining,
        outcome=raw.outcome,
        detection_limit=np.full(len(raw.day), raw.detection_limit),
        excluded=raw.excluded,
        fragmentation=raw.fragmentation,
        measurement_sd=balance.sd,
        ash_corrected=balance.ash_corrected,
        purpose=_samples_where_blank(raw.purpose),
        material_roles=_roles(raw),
        pile_heat=pile_heat or {},
        trial=trial,
    )


def _samples_where_blank(purpose: Sequence[str]) -> Coded:
    column = Coded.of(purpose)
    return Coded.from_codes(column.code, [label or "sample" for label in column.labels])


def _roles(raw: Weighings) -> dict[str, str]:
    material, role = Coded.of(raw.material), Coded.of(raw.role)
    labels, first = np.unique(material.code, return_index=True)
    return {
        material.labels[m]: role[int(row)]
        for m, row in zip(labels.tolist(), first.tolist(), strict=True)
    }


def _masses(raw: Weighings) -> BagMasses:
    n = len(raw.day)
    missing = np.full(n, np.nan)
    return BagMasses(
        initial_mass_g=raw.initial_mass_g,
        initial_moisture=raw.initial_moisture_pct * PER_CENT,
        dry_mass_g=raw.dry_mass_g,
        # A residue weighed wet only has no dry mass: its own moisture is not part of an upload.
        wet_mass_g=missing,
        residue_moisture=missing,
        initial_ash=raw.initial_ash_pct * PER_CENT,
        residue_ash=raw.ash_pct * PER_CENT,
        contaminant_ash=raw.contaminant_ash_pct * PER_CENT,
        ash_conserved=np.ones(n, dtype=bool),
    )
