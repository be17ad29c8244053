"""Filters named after columns: declared per list, checked, and described in the schema."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.utils.dateparse import parse_date, parse_datetime
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request

from registry.errors import InvalidValue

ALWAYS = ("page_size", "cursor", "format")


@dataclass(frozen=True, slots=True)
class Filter:
    """`lookup` is the ORM path; `kind` one of text, integer, number, date, datetime, choice.

    `low` and `high` bound integers and numbers, both included.
    """

    lookup: str
    kind: str = "text"
    choices: tuple[str, ...] = ()
    meaning: str = ""
    low: float = 0
    high: float = math.inf


OPENAPI = {
    "text": OpenApiTypes.STR,
    "choice": OpenApiTypes.STR,
    "integer": OpenApiTypes.INT,
    "number": OpenApiTypes.DOUBLE,
    "date": OpenApiTypes.DATE,
    "datetime": OpenApiTypes.DATETIME,
}
# Ids and counts fit Postgres' bigint; a larger number cannot match anything.
LARGEST = 2**63 - 1


def apply(
    rows: QuerySet[Any],
    request: Request,
    filters: Mapping[str, Filter],
    *,
    also: tuple[str, ...] = (),
) -> QuerySet[Any]:
    """Rows that pass; `also` names parameters that the view itself reads."""
    for name, value in checked(request, filters, also=also).items():
        rows = rows.filter(**{filters[name].lookup: value})
    return rows


def checked(
    request: Request, filters: Mapping[str, Filter], *, also: tuple[str, ...] = ()
) -> dict[str, Any]:
    """The values sent, by name. Raises InvalidValue for an unknown filter or a wrong value."""
    unknown = sorted(set(request.query_params) - set(filters) - set(ALWAYS) - set(also))
    if unknown:
        raise InvalidValue(
            f"Unknown filter {unknown[0]!r}. Known here: {', '.join(sorted(filters)) or 'none'}.",
            field=unknown[0],
        )
    sent = {name: request.query_params.get(name) for name in filters}
    return {name: _value(name, text, filters[name]) for name, text in sent.items() if text}


def parameters(filters: Mapping[str, Filter]) -> list[OpenApiParameter]:
    return [
        OpenApiParameter(
            name,
            OPENAPI[declared.kind],
            description=declared.meaning,
            enum=declared.choices or None,
        )
        for name, declared in filters.items()
    ]


def _value(name: str, sent: str, declared: Filter) -> Any:
    if "\x00" in sent:
        raise InvalidValue(f"{name} holds a NUL character.", field=name)
    if declared.kind == "choice" and sent not in declared.choices:
        raise InvalidValue(f"{name} is one of: {', '.join(declared.choices)}.", field=name)
    if declared.kind == "integer":
        if not sent.isascii() or not sent.isdigit() or int(sent) > LARGEST:
            raise InvalidValue(f"{name} is a whole number.", field=name)
        return int(_bounded(name, int(sent), declared))
    if declared.kind == "number":
        return _bounded(name, _number(name, sent), declared)
    if declared.kind in ("date", "datetime"):
        return _moment(name, sent, declared.kind)
    return sent


def _number(name: str, sent: str) -> float:
    try:
        value = float(sent)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InvalidValue(f"{name} is a number, with a dot for decimals.", field=name)
    return value


def _bounded(name: str, value: float, declared: Filter) -> float:
    if not declared.low <= value <= declared.high:
        limits = f"{declared.low:g} to {declared.high:g}"
        if math.isinf(declared.high):
            limits = f"{declared.low:g} or more"
        raise InvalidValue(f"{name} is {limits}.", field=name)
    return value


def _moment(name: str, sent: str, kind: str) -> Any:
    try:
        value = parse_date(sent) if kind == "date" else parse_datetime(sent)
    except (ValueError, ValidationError):
        value = None
    if value is None:
        example = "2026-03-04" if kind == "date" else "2026-03-04T10:00:00Z"
        raise InvalidValue(f"{name} is written like {example}.", field=name)
    return value
