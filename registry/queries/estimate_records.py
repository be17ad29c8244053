"""The estimates of a run in the contract's shape, as a release publishes them."""

from typing import Any

from registry.models import PooledEstimate, PoolingRun

_PARTS = (
    "sites__site",
    "left_out__site",
    "curve",
    "chance_90_by",
    "loss_sensitivity",
    "class_chances",
    "compared__other",
    "warnings",
)
_COLUMNS = tuple(
    field.name
    for field in PooledEstimate._meta.concrete_fields
    if field.name not in ("id", "run", "material")
)


_NOT_TOLD = ("id", "pooled", "site", "other", "against_reference", "within_formulation")


def estimate_records(run: PoolingRun) -> list[dict[str, Any]]:
    """Every estimate of the run with all its parts; a fixed number of queries."""
    rows = run.estimates.select_related("material").prefetch_related(*_PARTS)
    return [
        {
            "trial": run.trial.code,
            "material": found.material.code,
            **{name: getattr(found, name) for name in _COLUMNS},
            **_parts(found),
            "model_version": run.model_version,
            "input_digest": run.input_digest,
        }
        for found in rows
    ]


def _parts(found: PooledEstimate) -> dict[str, Any]:
    return {
        "sites": [_of_site(part) for part in found.sites.all()],
        "left_out": [_of_site(part) for part in found.left_out.all()],
        "curve": [_plain(part) for part in found.curve.all()],
        "chance_90_by": [_plain(part) for part in found.chance_90_by.all()],
        "loss_sensitivity": [_plain(part) for part in found.loss_sensitivity.all()],
        "class_chances": [_plain(part) for part in found.class_chances.all()],
        "comparisons": [
            _of_other(c)
            for c in found.compared.all()
            if not (c.against_reference or c.within_formulation)
        ],
        "against_reference": next(
            (_of_other(c) for c in found.compared.all() if c.against_reference), None
        ),
        "within_formulation": next(
            (_of_other(c) for c in found.compared.all() if c.within_formulation), None
        ),
        "warnings": [_plain(part) for part in found.warnings.all()],
    }


def _of_site(part: Any) -> dict[str, Any]:
    return {"site": part.site.code, **_plain(part)}


def _of_other(part: Any) -> dict[str, Any]:
    return {"other": part.other.code, **_plain(part)}


def _plain(part: Any) -> dict[str, Any]:
    """The part's own columns; a blank word is no word."""
    return {
        field.name: getattr(part, field.name) if getattr(part, field.name) != "" else None
        for field in part._meta.concrete_fields
        if field.name not in _NOT_TOLD
    }
