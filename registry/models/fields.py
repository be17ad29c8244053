"""Fields and constraints that several nouns share, built from the declared columns.

`constraints_of(kind)` turns every declared range and vocabulary of an upload kind into database
constraints, so the edge and the database cannot disagree.
"""

from typing import Any

from django.core.validators import RegexValidator
from django.db import models
from django.db.models import Q

from registry.columns import CODE_PATTERN, Kind, UploadKind

COUNTRY_PATTERN = r"^[A-Z]{2}$"
MEASURED = (Kind.NUMBER, Kind.INTEGER)


def code_field(**options: Any) -> models.CharField:
    """The key people write: 2–40 upper-case letters, digits, `-` and `_`."""
    return models.CharField(
        max_length=40,
        validators=[
            RegexValidator(
                CODE_PATTERN, "Use 2–40 upper-case letters, digits, hyphens, underscores."
            )
        ],
        **options,
    )


def country_field(**options: Any) -> models.CharField:
    return models.CharField(
        max_length=2,
        validators=[RegexValidator(COUNTRY_PATTERN, "Use the ISO 3166 alpha-2 code.")],
        **options,
    )


def measured(**options: Any) -> models.FloatField:
    """A measured number; NULL when it was not measured."""
    return models.FloatField(null=True, blank=True, **options)


def score() -> models.PositiveSmallIntegerField:
    """A visual score on an ordinal scale; NULL when it was not assessed, which is not 0."""
    return models.PositiveSmallIntegerField(null=True, blank=True)


def code_is_well_formed(noun: str, field: str = "code") -> models.CheckConstraint:
    return models.CheckConstraint(
        condition=Q(**{f"{field}__regex": CODE_PATTERN}), name=f"{noun}_{field}_well_formed"
    )


def country_is_iso(noun: str) -> models.CheckConstraint:
    return models.CheckConstraint(
        condition=Q(country__regex=COUNTRY_PATTERN), name=f"{noun}_country_iso3166"
    )


def within(noun: str, field: str, low: float, high: float) -> models.CheckConstraint:
    """`low <= field <= high`. NULL passes; NaN does not: Postgres sorts it above every number."""
    return models.CheckConstraint(
        condition=Q(**{f"{field}__gte": low, f"{field}__lte": high}),
        name=f"{noun}_{field}_in_range",
    )


def one_of(
    noun: str, field: str, choices: tuple[str, ...], *, blank: bool = False
) -> models.CheckConstraint:
    allowed = ("", *choices) if blank else choices
    return models.CheckConstraint(
        condition=Q(**{f"{field}__in": allowed}), name=f"{noun}_{field}_known"
    )


def constraints_of(
    kind: UploadKind, *, without: tuple[str, ...] = ()
) -> list[models.CheckConstraint]:
    """Ranges and vocabularies declared for an upload kind, as constraints on the noun's columns."""
    found = []
    for column in kind.columns:
        if column.name in without:
            continue
        if column.kind in MEASURED and column.low is not None and column.high is not None:
            found.append(within(kind.noun, column.name, column.low, column.high))
        elif column.kind is Kind.CHOICE:
            found.append(one_of(kind.noun, column.name, column.choices, blank=not column.required))
    return found


class Sent(models.Model):
    """A row that arrived in an upload: which one, and which row of it.

    No database-level foreign key: checking it costs a third of the speed of a bulk COPY, and an
    upload row is never deleted.
    """

    upload = models.ForeignKey(
        "registry.Upload",
        null=True,
        blank=True,
        on_delete=models.DO_NOTHING,
        db_constraint=False,
        db_index=False,
        related_name="+",
    )
    upload_row = models.PositiveIntegerField(null=True, blank=True)

    class Meta:
        abstract = True
