"""Families of one base by filler fraction, and coated items beside their uncoated partners."""

import pytest

from registry.science.formulation import (
    CoatedPair,
    Component,
    Contrasted,
    Family,
    MaterialFacts,
    Member,
    coated_pairs,
    contrasted,
    families,
)


def material(code, *components, form="tray", role="test", thickness_um=None, coating=""):
    parts = tuple(Component(*part) for part in components)
    return MaterialFacts(code, form, role, thickness_um, coating, parts)


ALONE = material("A", ("polyester", "polymer", 100.0), thickness_um=600.0)
F30 = material("A-30", ("polyester", "polymer", 70.0), ("wood", "filler", 30.0))
SHEET = material("SHEET", ("cellulose", "fibre", 94.0), ("kaolin", "filler", 6.0))
COATED = material(
    "SHEET-C",
    ("cellulose", "fibre", 78.3),
    ("kaolin", "filler", 5.0),
    ("polyester", "coating", 16.7),
)


def test_a_base_alone_and_filled_make_a_family_by_fraction():
    (found,) = families([F30, ALONE])

    assert found == Family(
        "polyester", "tray", "wood", (Member("A", 0.0, 600.0), Member("A-30", 30.0, None))
    )
    assert found.alone == "A"


def test_shares_that_add_up_to_101_are_shares_of_101():
    (found,) = families(
        [ALONE, material("A-X", ("polyester", "polymer", 70.7), ("wood", "filler", 30.3))]
    )

    assert found.members[1].filler_pct == pytest.approx(30.0)


def test_a_family_without_the_base_alone_says_so():
    (found,) = families(
        [F30, material("A-10", ("polyester", "polymer", 90.0), ("wood", "filler", 10.0))]
    )

    assert found.alone is None


@pytest.mark.parametrize(
    "other",
    [
        material("BLEND", ("polyester", "polymer", 54.0), ("starch", "polymer", 46.0)),
        material("CONTROL", ("polyester", "polymer", 100.0), role="negative_control"),
        material("FILM", ("polyester", "polymer", 100.0), form="film"),
        material("NONE"),
        material(
            "TWO",
            ("polyester", "polymer", 60.0),
            ("wood", "filler", 20.0),
            ("chalk", "filler", 20.0),
        ),
        material("COATED", ("polyester", "polymer", 100.0), coating="wax, one side"),
    ],
    ids=lambda m: m.code,
)
def test_what_differs_in_more_than_the_fraction_joins_no_family(other):
    assert families([F30, other]) == ()


def test_a_pigment_is_no_filler():
    (found,) = families(
        [F30, material("GREEN", ("polyester", "polymer", 99.5), ("pigment", "filler", 0.5))]
    )

    assert found.alone == "GREEN"


def test_a_coated_item_is_beside_the_one_with_the_same_shares():
    other = material("OTHER", ("cellulose", "fibre", 80.0), ("kaolin", "filler", 20.0))

    assert coated_pairs([COATED, SHEET, other]) == (CoatedPair("SHEET-C", "SHEET"),)


def test_filled_ones_are_compared_with_the_base_alone_and_coated_ones_with_their_partner():
    found = contrasted([ALONE, F30, SHEET, COATED])

    assert found == (Contrasted("A", ("A-30",)), Contrasted("SHEET", ("SHEET-C",)))


def test_a_coated_item_of_another_form_or_make_has_no_partner():
    film = material("FILM", ("cellulose", "fibre", 94.0), ("kaolin", "filler", 6.0), form="film")

    assert coated_pairs([COATED, film, ALONE]) == ()
