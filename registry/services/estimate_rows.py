"""The estimates of a run as rows: the estimates themselves by the ORM, their parts by COPY.

A large trial has a hundred thousand parts (sites, left-out sites, points of curves, pairs).
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any

from django.db import connection
from django.db.models import Model

from registry.models import (
    ChanceBy,
    ClassChance,
    Comparison,
    CurvePoint,
    EstimateWarning,
    LeaveOneOut,
    LossScenario,
    Material,
    PooledEstimate,
    PoolingRun,
    Site,
    SiteEstimate,
)
from registry.science import types as science

Row = dict[str, Any]

# Columns that both the scientific record and the table have, under the same name.
_SHARED = sorted(
    {field.name for field in fields(science.PooledEstimate)}
    & {field.name for field in PooledEstimate._meta.concrete_fields} - {"material", "run", "id"}
)


@dataclass(frozen=True, slots=True)
class _Codes:
    materials: dict[str, int]
    sites: dict[str, int]


def store(run: PoolingRun, estimates: Iterable[science.PooledEstimate]) -> None:
    """Within the transaction that finishes the run."""
    codes = _Codes(
        materials=dict(Material.objects.values_list("code", "pk")),
        sites=dict(Site.objects.values_list("code", "pk")),
    )
    told = list(estimates)
    rows = [
        PooledEstimate(
            run=run,
            material_id=codes.materials[found.material],
            **{name: getattr(found, name) for name in _SHARED},
        )
        for found in told
    ]
    PooledEstimate.objects.bulk_create(rows)
    parts: dict[type[Model], list[Row]] = defaultdict(list)
    for row, found in zip(rows, told, strict=True):
        for model, values in _parts(found, codes):
            parts[model].append({"pooled_id": row.pk, **values})
    for model, of_model in parts.items():
        copy_rows(model, of_model)


def copy_rows(model: type[Model], rows: list[Row]) -> None:
    """COPY rows, each with a value for every column but the key."""
    stored = model._meta.concrete_fields
    columns = [field.column for field in stored if field.column and not field.primary_key]
    names = ", ".join(f'"{column}"' for column in columns)
    statement = f'COPY "{model._meta.db_table}" ({names}) FROM STDIN'
    with connection.cursor() as cursor, cursor.copy(statement) as copy:
        for row in rows:
            copy.write_row([row[column] for column in columns])


def _parts(
    found: science.PooledEstimate, codes: _Codes
) -> Iterator[tuple[type[Model], Mapping[str, Any]]]:
    for site in found.sites:
        values = _values(site, without="site")
        yield SiteEstimate, values | {"site_id": codes.sites[site.site], "note": site.note or ""}
    for left_out in found.left_out:
        values = _values(left_out, without="site")
        yield LeaveOneOut, values | {"site_id": codes.sites[left_out.site]}
    marked = (found.against_reference, found.within_formulation)
    for pair in (*found.comparisons, *(pair for pair in marked if pair is not None)):
        yield (
            Comparison,
            _values(pair, without="other")
            | {
                "other_id": codes.materials[pair.other],
                "against_reference": pair is found.against_reference,
                "within_formulation": pair is found.within_formulation,
            },
        )
    plain: tuple[tuple[type[Model], Iterable[Any]], ...] = (
        (CurvePoint, found.curve),
        (ChanceBy, found.chance_90_by),
        (ClassChance, found.class_chances),
        (LossScenario, found.loss_sensitivity),
        (EstimateWarning, found.warnings),
    )
    for model, records in plain:
        for record in records:
            yield model, _values(record)


def _values(part: Any, *, without: str = "") -> Row:
    return {name: getattr(part, name) for name in part.__dataclass_fields__ if name != without}
