from dataclasses import replace
from datetime import UTC, datetime

import pytest

from frontend.presenters import ratings, vocabulary
from registry import columns
from registry.models import Material
from registry.models.pooled_estimate import HEAT_CLASSES, MODELS, OUTCOMES
from registry.models.release import BANDS, CONFIDENCES
from registry.queries.ratings import RatedMaterial, RatingRow

ROW = RatingRow(
    heat_class="hot",
    band="nearly_gone",
    confidence="fair",
    chance_84=0.62,
    chance_180=0.995,
    typical_days=77,
    typical_days_low=42,
    typical_days_high=150,
    n_sites=6,
    n_piles=1,
    n_bags=140,
    sentence="Most of it goes in a hot pile.",
    pooled_id=1,
    release_id=2,
    release_version=3,
    released_at=datetime(2026, 9, 1, tzinfo=UTC),
    trial_code="POTS-26",
    trial_title="Pots",
)


def test_a_rating_leads_with_a_word_and_counts_piles():
    view = ratings.rating_view(ROW)

    assert view.band == "Nearly gone"
    assert view.heat == "Hot piles"
    assert [chance.marks for chance in view.chances] == [6, 10]
    assert view.chances[0].sentence == "Gone within 12 weeks in about 6 of 10 piles."
    assert view.evidence == "6 sites, 1 pile, 140 bags"


def test_the_typical_time_comes_with_its_range():
    assert ratings.typical_time(ROW) == (
        "A typical pile takes 11 weeks. Most piles take from 6 weeks to 21 weeks."
    )


def test_not_enough_evidence_shows_no_chance_even_if_one_was_stored():
    view = ratings.rating_view(replace(ROW, band="not_enough_evidence"))

    assert view.band == "Not enough evidence yet"
    assert view.chances == ()


def test_a_material_without_a_rating_says_so_and_does_not_rate_it_low():
    card = ratings.material_card(RatedMaterial("COIR-POT", "Coir pot", "pot", "test", None))

    assert card.band == "Not enough evidence yet"
    assert card.chance is None


def test_a_card_shows_the_wait_that_was_asked_for():
    item = RatedMaterial("COIR-POT", "Coir pot", "pot", "test", ROW)

    assert ratings.material_card(item).chance.days == 84
    assert ratings.material_card(item, wait_days=180).chance.days == 180


def test_a_control_is_named_as_one():
    item = RatedMaterial("PE", "Polyethylene", "film", "negative_control", None)

    assert ratings.material_card(item).kind == "Film · Control that should stay"


def test_a_coating_is_mentioned_in_what_to_do():
    plain = ratings.how_to(Material(form="pot"))
    coated = ratings.how_to(Material(form="pot", coating="wax, inside"))

    assert len(coated) == len(plain) + 1
    assert any("wax, inside" in step for step in coated)


@pytest.mark.parametrize(
    ("words", "codes"),
    [
        (vocabulary.BANDS, BANDS),
        (vocabulary.CONFIDENCES, CONFIDENCES),
        (vocabulary.HEATS, HEAT_CLASSES),
        (vocabulary.MODELS, MODELS),
        (vocabulary.OUTCOMES, OUTCOMES),
        (vocabulary.FORMS, columns.FORMS),
        (vocabulary.ROLES, columns.ROLES),
        (vocabulary.FUNCTIONS, columns.FUNCTIONS),
        (vocabulary.LOOK_OUTCOMES, columns.OUTCOMES),
        (vocabulary.UPLOAD_KINDS, columns.UPLOAD_KINDS),
    ],
)
def test_every_code_of_the_registry_has_a_word(words, codes):
    assert set(words) == set(codes)


def test_no_word_sounds_like_a_certificate():
    shown = {str(word).lower() for word in vocabulary.BANDS.values()}

    for forbidden in ("certified", "compostable", "safe", "eco", "approved"):
        assert not any(forbidden in word for word in shown)
