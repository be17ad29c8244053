"""Input and output shapes of the eight record kinds, made from their declared columns."""

from functools import cache
from typing import Any

from rest_framework import serializers

from registry.columns import Column, Kind, UploadKind

# Where a column's value stands when it is not an attribute of the same name.
SOURCES: dict[str, dict[str, str]] = {
    "materials": {"material": "code"},
    "compositions": {"material": "material.code"},
    "piles": {"site": "site.code", "pile": "code", "trial": "trial.code"},
    "feedstocks": {"site": "pile.site.code", "pile": "pile.code"},
    "turnings": {"site": "pile.site.code", "pile": "pile.code"},
    "bags": {
        "trial": "trial.code",
        "site": "pile.site.code",
        "pile": "pile.code",
        "bag_label": "label",
        "material": "material.code",
    },
    "retrievals": {"trial": "bag.trial.code", "bag_label": "bag.label"},
}


class ShownObserver(serializers.CharField):
    """Who looked, as the caller may see it; an answer to the one who sent it holds all."""

    def __init__(self) -> None:
        super().__init__(source="*", read_only=True, help_text="blank for people of other sites")

    def to_representation(self, value: Any) -> str:
        return str(getattr(value, "shown_observer", value.observer))


# Columns of the answer beyond the uploaded ones, or in their place.
DERIVED: dict[str, dict[str, serializers.Field]] = {
    "retrievals": {
        "site": serializers.CharField(source="bag.pile.site.code", help_text="code of the site"),
        "pile": serializers.CharField(source="bag.pile.code", help_text="code of the pile"),
        "material": serializers.CharField(
            source="bag.material.code", help_text="code of the material"
        ),
        "revision": serializers.IntegerField(help_text="counts corrections, from 1"),
        "observer": ShownObserver(),
    }
}


@cache
def record_in(kind: UploadKind) -> type[serializers.Serializer]:
    """The shape of one record sent; documents the body, the checks are the intake's."""
    fields = {column.name: _field(column, column.required, None) for column in kind.columns}
    return type(f"{kind.noun.capitalize()}In", (serializers.Serializer,), fields)


@cache
def record_out(kind: UploadKind) -> type[serializers.Serializer]:
    """The shape of one stored record: its columns, id and provenance."""
    sources = SOURCES.get(kind.name, {})
    fields: dict[str, Any] = {"id": serializers.IntegerField()}
    for column in kind.columns:
        source = sources.get(column.name)
        fields[column.name] = _field(column, column.required, source)
    fields |= DERIVED.get(kind.name, {})
    fields["upload"] = serializers.IntegerField(
        source="upload_id", allow_null=True, help_text="upload it came with"
    )
    fields["upload_row"] = serializers.IntegerField(
        allow_null=True, help_text="data row of that upload, from 1"
    )
    return type(f"{kind.noun.capitalize()}Out", (serializers.Serializer,), fields)


def _field(column: Column, required: bool, source: str | None) -> serializers.Field:
    options: dict[str, Any] = {"help_text": _described(column), "required": required}
    if source is not None:
        options["source"] = source
    if not required:
        options["allow_null"] = True
    match column.kind:
        case Kind.NUMBER:
            return serializers.FloatField(min_value=column.low, max_value=column.high, **options)
        case Kind.INTEGER:
            return serializers.IntegerField(
                min_value=int(column.low or 0), max_value=int(column.high or 0), **options
            )
        case Kind.DATE:
            return serializers.DateField(**options)
        case Kind.DATETIME:
            return serializers.DateTimeField(**options)
        case Kind.YES_NO:
            return serializers.BooleanField(**options)
        case Kind.CHOICE:
            return serializers.ChoiceField(
                choices=column.choices, allow_blank=not required, **options
            )
        case Kind.CODE:
            return serializers.CharField(**options)
    return serializers.CharField(max_length=column.max_length, allow_blank=not required, **options)


def _described(column: Column) -> str:
    text = column.meaning
    if column.unit:
        text += f", {column.unit}"
    if column.example:
        text += f"; for example {column.example}"
    return text
