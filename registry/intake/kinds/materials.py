"""Materials, and what they are made of."""

from collections import defaultdict

import numpy as np
import pyarrow as pa

from registry.columns import COMPOSITIONS, MATERIALS, Kind, UploadKind
from registry.intake.faults import FaultBook
from registry.intake.labels import Sender, match_materials
from registry.intake.plan import Plan, ids, known, plain_columns, text_columns
from registry.intake.table import BoolArray, IntArray, Table
from registry.models import Composition, Material
from registry.models.material import COMPOSITION_TOLERANCE_PCT

# g/m² divided by µm is g/cm³. A loose mat has a twentieth of the density of water, a mineral-filled
# plastic twice that of water; outside, thickness or mass is in another unit (common practice, no
# source).
LEAST_DENSITY, MOST_DENSITY = 0.02, 2.5


def plan_materials(table: Table, book: FaultBook, sender: Sender) -> Plan:
    _refuse_impossible_density(table, book)
    values = {"code": table.column("material"), **_measured(table, MATERIALS)}
    values |= text_columns(table, "name", "form", "role", "coating", "colour", "batch", "notes")
    nowhere = np.full(table.rows, -1, dtype=np.int64)
    return Plan(
        model=Material,
        values=values,
        key=("code",),
        key_field="material",
        where={"code": [code for code in values["code"].unique().to_pylist() if code]},
        site=nowhere,
        trial=nowhere,
    )


def plan_compositions(table: Table, book: FaultBook, sender: Sender) -> Plan:
    materials = match_materials(table, book, sender)
    material = materials.ids([found.pk for found in materials.records])
    nowhere = np.full(table.rows, -1, dtype=np.int64)
    values: dict[str, pa.Array] = {
        "material_id": ids(material),
        **text_columns(table, "component", "function"),
        **_measured(table, COMPOSITIONS),
    }

    def rules(table: Table, book: FaultBook, new: BoolArray, stored: pa.Table) -> None:
        _refuse_wrong_sums(table, book, material, new)

    return Plan(
        model=Composition,
        values=values,
        key=("material_id", "component"),
        key_field="component",
        where={"material_id": known(material)},
        site=nowhere,
        trial=nowhere,
        rules=rules,
    )


def _measured(table: Table, kind: UploadKind) -> dict[str, pa.Array]:
    return plain_columns(
        table, *(column.name for column in kind.columns if column.kind is Kind.NUMBER)
    )


def _refuse_impossible_density(table: Table, book: FaultBook) -> None:
    mass, thickness = table.numbers("area_density_g_m2"), table.numbers("thickness_um")
    density = mass / thickness
    wrong = np.isfinite(density) & ((density < LEAST_DENSITY) | (density > MOST_DENSITY))
    table.refuse(
        book,
        wrong,
        "thickness_um",
        lambda row: (
            "density_implausible",
            f"{mass[row]:g} g/m² at {thickness[row]:g} µm makes {density[row]:.3g} g/cm³; "
            f"materials lie between {LEAST_DENSITY:g} and {MOST_DENSITY:g}. Is the thickness in "
            "µm?",
        ),
    )


def _refuse_wrong_sums(table: Table, book: FaultBook, material: IntArray, new: BoolArray) -> None:
    """The parts of a material add up, stored and sent together; told once per material."""
    share = table.numbers("mass_pct")
    usable = new & table.good("component", "function", "mass_pct") & (material >= 0)
    complete = ~np.isin(material, material[new & ~usable])
    totals: dict[int, float] = defaultdict(float)
    for owner, mass in Composition.objects.filter(material__in=known(material)).values_list(
        "material_id", "mass_pct"
    ):
        totals[owner] += mass
    for row in np.flatnonzero(usable):
        totals[int(material[row])] += share[row]
    wrong = {
        owner
        for owner, total in totals.items()
        if abs(total - 100) > COMPOSITION_TOLERANCE_PCT + 1e-9
    }
    first = np.zeros(table.rows, dtype=bool)
    rows_of_new = np.flatnonzero(usable & complete & np.isin(material, list(wrong)))
    _, firsts = np.unique(material[rows_of_new], return_index=True)
    first[rows_of_new[firsts]] = True
    table.refuse(
        book,
        first,
        "mass_pct",
        lambda row: (
            "composition_does_not_add_up",
            f"The parts of {table.column('material')[row]} add up to "
            f"{totals[int(material[row])]:g} %, not 100 ± 1. Send all parts of a material in "
            "one file.",
        ),
    )
