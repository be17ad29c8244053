"""Any of the record tables as rows to stream: columns, filters, one trial or all one may see.

Columns are the uploaded ones, then what a reader needs to use the row alone: its site, pile and
material, elapsed days, whether a coordinator excluded it, and where it came from. Temperatures are
opened up from the rows of a probe and a day.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import (
    BooleanField,
    ExpressionWrapper,
    F,
    Func,
    IntegerField,
    Model,
    QuerySet,
)

from registry.columns import BAGS, PILES, UPLOAD_KINDS, Column, Kind
from registry.errors import InvalidValue
from registry.models import (
    Bag,
    Composition,
    Feedstock,
    Material,
    Pile,
    ProbeDay,
    Retrieval,
    Trial,
    Turning,
)
from registry.permissions import Actor, Capability, can, visible_to
from registry.queries.exclusions import excluded_looks
from registry.queries.observers import shown_observer

# Where a column stands: its declaration, and its path from the row.
Placed = tuple[Column, str]


@dataclass(frozen=True, slots=True)
class ExportTable:
    """How a kind's rows are found from a trial, in which order, and where its columns stand."""

    model: type[Model]
    trial: str
    columns: tuple[Placed, ...]
    order: tuple[str, ...] = ("pk",)

    @property
    def column_names(self) -> tuple[str, ...]:
        return tuple(column.name for column, _ in self.columns)


@dataclass(frozen=True, slots=True)
class Extract:
    """Columns and the SELECT that gives them, with its values; nothing has been read yet.

    Behind its columns the SELECT gives `n_order` more, by which the rows are to be put in order.
    """

    table: str
    columns: tuple[Column, ...]
    sql: str
    values: tuple[Any, ...]
    n_order: int = 0


_ID = Column("id", Kind.INTEGER, "number of the record in the registry")
_SENT: tuple[Placed, ...] = (
    (_ID, "pk"),
    (Column("upload", Kind.INTEGER, "upload it came with"), "upload_id"),
    (Column("upload_row", Kind.INTEGER, "data row of that upload, from 1"), "upload_row"),
)
_OF_LOOK: tuple[Placed, ...] = (
    (PILES.column("site"), "bag__pile__site__code"),
    (PILES.column("pile"), "bag__pile__code"),
    (BAGS.column("material"), "bag__material__code"),
    (Column("days", Kind.INTEGER, "days between burial and this look", unit="d"), "days"),
    (Column("excluded", Kind.YES_NO, "whether a coordinator left it out of pooling"), "excluded"),
    (Column("revision", Kind.INTEGER, "1 as uploaded, one more a correction"), "revision"),
)
_PILE = {"site": "pile__site__code", "pile": "pile__code"}


def _placed(
    kind: str, paths: dict[str, str], more: tuple[Placed, ...] = _SENT
) -> tuple[Placed, ...]:
    own = tuple((column, paths.get(column.name, column.name)) for column in _published(kind))
    return (*own, *more)


def _published(kind: str) -> tuple[Column, ...]:
    """Readings are kept in degrees Celsius; Fahrenheit was converted on its way in."""
    return tuple(column for column in UPLOAD_KINDS[kind].columns if column.name != "temperature_f")


EXPORT_TABLES: dict[str, ExportTable] = {
    "materials": ExportTable(Material, "trials", _placed("materials", {"material": "code"})),
    "compositions": ExportTable(
        Composition,
        "material__trials",
        _placed("compositions", {"material": "material__code"}),
    ),
    "piles": ExportTable(
        Pile,
        "trial",
        _placed("piles", {"site": "site__code", "pile": "code", "trial": "trial__code"}),
    ),
    "feedstocks": ExportTable(Feedstock, "pile__trial", _placed("feedstocks", _PILE)),
    "turnings": ExportTable(Turning, "pile__trial", _placed("turnings", _PILE)),
    "temperatures": ExportTable(ProbeDay, "pile__trial", _placed("temperatures", _PILE, ())),
    "bags": ExportTable(
        Bag,
        "trial",
        _placed(
            "bags",
            {
                **_PILE,
                "trial": "trial__code",
                "bag_label": "label",
                "material": "material__code",
            },
        ),
    ),
    "retrievals": ExportTable(
        Retrieval,
        "bag__trial",
        _placed(
            "retrievals",
            {"trial": "bag__trial__code", "bag_label": "bag__label", "observer": "shown_observer"},
            (*_OF_LOOK, *_SENT),
        ),
        # Along the index that makes a look unique, so that a million rows need no sorting.
        ("bag_id", "retrieved_on"),
    ),
}


def export_rows(table: str, by: Actor, trial: Trial | None = None) -> QuerySet[Any]:
    """Rows of a table that exist for the actor, of one trial or of all; to be filtered further."""
    declared = EXPORT_TABLES[table]
    if trial is None:
        return visible_to(by, declared.model)
    # Asked once for the trial, not of each of a million rows.
    everything = can(by, Capability.READ_TRIAL, trial=trial)
    rows = declared.model._default_manager.all() if everything else visible_to(by, declared.model)
    return rows.filter(**{declared.trial: trial})


def extract(
    table: str, rows: QuerySet[Any], by: Actor, columns: Sequence[str] | None = None
) -> Extract:
    """What to stream of `rows`: the named columns, or all. Raises InvalidValue for unknown ones."""
    declared = EXPORT_TABLES[table]
    chosen = _chosen(declared, columns)
    if table == "temperatures":
        return _readings(rows.order_by(*declared.order), chosen)
    if table == "retrievals":
        rows = _with_look_columns(rows, by)
    # Under names of their own, since a path may already stand among the columns.
    order = {f"order_{number}": F(path) for number, path in enumerate(declared.order)}
    paths = [path for _, path in chosen]
    picked = rows.order_by().annotate(**order).values_list(*paths, *order)
    sql, values = picked.query.sql_with_params()
    return Extract(table, tuple(column for column, _ in chosen), sql, values, len(order))


def _chosen(declared: ExportTable, names: Sequence[str] | None) -> tuple[Placed, ...]:
    if names is None:
        return declared.columns
    known = {column.name: (column, path) for column, path in declared.columns}
    for name in names:
        if name not in known:
            raise InvalidValue(
                f"There is no column {name!r}. Known here: {', '.join(known)}.", field="columns"
            )
    if len(set(names)) != len(names) or not names:
        raise InvalidValue("Name each column once, separated by commas.", field="columns")
    return tuple(known[name] for name in names)


def _with_look_columns(rows: QuerySet[Any], by: Actor) -> QuerySet[Any]:
    # Two dates subtracted are whole days in Postgres; the ORM would make an interval of them.
    days = Func(
        F("retrieved_on"),
        F("bag__buried_on"),
        template="(%(expressions)s)",
        arg_joiner=" - ",
        output_field=IntegerField(),
    )
    # As lists: asked of each of a million rows, a subquery would cost more.
    sites = list(by.sites().values_list("pk", flat=True))
    trials = list(by.trials().values_list("pk", flat=True))
    excluded = ExpressionWrapper(excluded_looks(), output_field=BooleanField())
    return rows.annotate(days=days, excluded=excluded, shown_observer=shown_observer(sites, trials))


def _readings(days: QuerySet[Any], chosen: tuple[Placed, ...]) -> Extract:
    paths = ("pile__site__code", "pile__code", "probe", "day", "seconds", "celsius")
    sql, values = days.values_list(*paths).query.sql_with_params()
    names = ", ".join(f'"{column.name}"' for column, _ in chosen)
    opened = f"""
        SELECT {names} FROM (
            SELECT site, pile, probe, celsius AS temperature_c,
                   (day + second * interval '1 second') AT TIME ZONE 'UTC' AS measured_at
              FROM ({sql}) AS probe_day (site, pile, probe, day, seconds, values),
                   unnest(seconds, values) AS reading (second, celsius)
        ) AS opened"""
    return Extract("temperatures", tuple(column for column, _ in chosen), opened, values)
