"""The database holds the declared columns by itself: rows that bypass the service are refused."""

from datetime import date

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.models import Model

from registry.columns import UPLOAD_KINDS, Kind
from registry.models.retrieval import SCORES
from tests import factories

pytestmark = pytest.mark.django_db

FACTORIES = {
    "materials": factories.Material,
    "compositions": factories.Composition,
    "piles": factories.Pile,
    "feedstocks": factories.Feedstock,
    "turnings": factories.Turning,
    "bags": factories.Bag,
    "retrievals": factories.Retrieval,
}
# Written beside a column so that rules between cells do not speak first.
BESIDE = {
    "wet_mass_g": {"outcome": "recovered"},
    "dry_mass_g": {"outcome": "recovered"},
    "ash_pct": {"outcome": "recovered", "dry_mass_g": 5.0},
    "mass_pct": {},
}


def _ranges() -> list[tuple[str, str, float]]:
    found = []
    for kind, factory in FACTORIES.items():
        for column in UPLOAD_KINDS[kind].columns:
            if column.low is None or column.high is None:
                continue
            step = 1 if column.kind is Kind.INTEGER else 0.001 * (abs(column.low) or 1)
            found += [
                (kind, column.name, column.low - step),
                (kind, column.name, column.high * 2 + 1),
            ]
            assert hasattr(factory._meta.model, column.name)
    return found


def _choices() -> list[tuple[str, str]]:
    return [
        (kind, column.name)
        for kind in FACTORIES
        for column in UPLOAD_KINDS[kind].columns
        if column.kind is Kind.CHOICE
    ]


def _build(kind: str, values: dict[str, object]) -> None:
    FACTORIES[kind](**values)
    connection.check_constraints()  # the deferred ones too


def _refused(kind: str, values: dict[str, object]) -> str:
    """The constraint that refuses the row."""
    with pytest.raises(IntegrityError) as refusal, transaction.atomic():
        _build(kind, values)
    return refusal.value.__cause__.diag.constraint_name or ""  # type: ignore[union-attr]


@pytest.mark.parametrize(("kind", "column", "value"), _ranges())
def test_a_value_outside_its_range_is_refused(kind: str, column: str, value: float) -> None:
    constraint = _refused(kind, {**BESIDE.get(column, {}), column: value})

    noun = UPLOAD_KINDS[kind].noun
    assert constraint == f"{noun}_{column}_in_range" or (
        # Django's own, of unsigned columns
        value < 0 and constraint == f"registry_{noun}_{column}_check"
    )


@pytest.mark.parametrize(("kind", "column"), _choices())
def test_a_word_outside_its_vocabulary_is_refused(kind: str, column: str) -> None:
    assert _refused(kind, {column: "no"}) == f"{UPLOAD_KINDS[kind].noun}_{column}_known"


@pytest.mark.parametrize("column", ["dry_mass_g", "ash_pct"])
def test_not_a_number_is_no_number_for_the_database_either(column: str) -> None:
    values = {**BESIDE[column], column: float("nan")}

    assert _refused("retrievals", values) == f"retrieval_{column}_in_range"


@pytest.mark.parametrize(
    ("values", "constraint"),
    [
        ({"outcome": "nothing_left", "dry_mass_g": 4.0}, "retrieval_residue_only_when_recovered"),
        ({"outcome": "recovered"}, "retrieval_recovered_is_weighed_or_scored"),
        ({"outcome": "bag_lost", "growth": 1}, "retrieval_missing_bag_has_no_scores"),
        ({"outcome": "looked_at"}, "retrieval_looked_at_is_scored"),
        ({"outcome": "nothing_left", "reburied": True}, "retrieval_nothing_to_rebury"),
        (
            {"outcome": "recovered", "wet_mass_g": 4.0, "dry_mass_g": 5.0},
            "retrieval_drying_loses_mass",
        ),
        ({"retrieved_on": date(2026, 4, 6)}, "retrieval_not_before_burial"),
    ],
)
def test_the_rules_of_a_look_hold_in_the_database(
    values: dict[str, object], constraint: str
) -> None:
    assert _refused("retrievals", values) == constraint


def test_a_bag_lies_in_a_pile_of_its_trial_that_is_built() -> None:
    early = {"buried_on": date(2026, 4, 6)}
    other_trial = {"trial": factories.Trial()}

    assert _refused("bags", early) == "bag_not_before_its_pile"
    assert _refused("bags", other_trial) == "bag_not_before_its_pile"


def test_parts_that_do_not_add_up_are_refused_at_the_end() -> None:
    assert _refused("compositions", {"mass_pct": 98.5}) == "composition_adds_up"


@pytest.mark.parametrize(
    ("kind", "shared"),
    [
        ("materials", ("code",)),
        ("piles", ("site", "code")),
        ("bags", ("pile", "trial", "label")),
        ("retrievals", ("bag", "retrieved_on")),
        ("turnings", ("pile", "turned_at")),
        ("feedstocks", ("pile", "ingredient")),
        ("compositions", ("material", "component")),
    ],
)
def test_a_key_is_stored_once(kind: str, shared: tuple[str, ...]) -> None:
    first: Model = FACTORIES[kind]()

    constraint = _refused(kind, {name: getattr(first, name) for name in shared})

    assert "once" in constraint or constraint == "one_outcome_per_look" or "code" in constraint


def test_every_score_is_bounded_by_its_scale() -> None:
    assert {name for _, name, _ in _ranges()} >= set(SCORES)
