"""Ratings in words, from pooled estimates."""

from dataclasses import replace

import pytest

from registry.science.grower_rating import CUT_OFF_REASONS, rate_for_growers
from registry.science.pooling import pool_trial
from registry.science.rating import Band
from registry.science.rating_words import (
    advice,
    evidence_sentence,
    rating_sentence,
    time_sentence,
)
from registry.science.types import ScienceError
from tests.science.pooling_trials import Item, trial

FORBIDDEN = ("certified", "compostable", "safe", "eco", "biodegrad")


def pooled(*items, **options):
    found = pool_trial(trial(*items, **options), primary_day=84.0, schedule_days=(14, 112))
    return {e.material: e for e in found if e.outcome == "decay_rate" and e.model == "two_stage"}


@pytest.fixture(scope="module")
def decay():
    return pooled(
        Item("FAST", mu=-2.6, lag=4),
        Item("SLOW", mu=-4.6),
        Item("PE", mu=-40.0),
        n_sites=6,
        n_piles=2,
        seed=5,
    )


def test_bands_follow_the_rate(decay):
    bands = {name: rate_for_growers(e).band for name, e in decay.items()}
    assert bands["FAST"] is Band.GONE
    assert bands["SLOW"] in (Band.STILL_IN_PIECES, Band.LITTLE_CHANGE)
    assert bands["PE"] is Band.LITTLE_CHANGE


def test_natural_frequencies_are_those_of_the_estimate(decay):
    rating = rate_for_growers(decay["FAST"])
    assert rating.chance_12_weeks == decay["FAST"].chance_90_by[0].probability
    assert rating.days_low < rating.typical_days < rating.days_high
    words = {8: "about eight of ten", 9: "about nine of ten", 10: "nearly all"}
    assert words[round(10 * rating.chance_12_weeks)] in rating_sentence(rating)


def test_the_typical_time_is_the_pooled_days_to_ninety_per_cent(decay):
    e = decay["SLOW"]
    assert rate_for_growers(e).typical_days == pytest.approx(e.lag_days + 2.302585093 / e.estimate)


def test_a_bound_alone_can_settle_a_band(decay):
    rating = rate_for_growers(decay["PE"])
    assert rating.bounded
    assert rating.loss_pct < 30
    assert "less than 1 % was lost" in rating_sentence(rating)
    assert "at most 2 % was lost" in rating_sentence(replace(rating, loss_pct=1.7))
    assert time_sentence(rating) is None


def test_two_sites_are_not_enough_evidence():
    rating = rate_for_growers(pooled(Item("M"), n_sites=2)["M"])
    assert rating.band is Band.NOT_ENOUGH_EVIDENCE
    assert "fewer than 3 sites" in rating_sentence(rating)


def test_a_band_that_contradicts_the_typical_pile_is_not_given(decay):
    e = decay["FAST"]
    wide = replace(e, estimate=0.05, log_estimate=-2.9957, pi_low=0.0005, pi_high=5.0)
    rating = rate_for_growers(wide)
    assert rating.band is Band.NOT_ENOUGH_EVIDENCE
    assert "too far apart" in rating_sentence(rating)


def test_words_promise_nothing(decay):
    for e in decay.values():
        rating = rate_for_growers(e)
        said = [rating_sentence(rating), evidence_sentence(rating), advice(rating)]
        said += [time_sentence(rating) or "", *CUT_OFF_REASONS.values()]
        assert not any(word in text.lower() for word in FORBIDDEN for text in said)


def test_looking_beyond_the_last_look_is_said(decay):
    assert "nobody has looked" in time_sentence(rate_for_growers(decay["SLOW"]))


def test_another_outcome_is_refused(decay):
    with pytest.raises(ScienceError, match="decay_rate"):
        rate_for_growers(replace(decay["FAST"], outcome="days_to_90"))
