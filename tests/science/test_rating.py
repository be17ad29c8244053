"""Ratings are read from what most new piles do, and say so when nobody can tell."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t

from registry.science.predict import RatePrediction, chance_lost_by, new_rate_interval
from registry.science.rating import (
    CUT_OFFS_PCT,
    MOST_PILES,
    RATING_DAY,
    Band,
    RateEvidence,
    band_of,
    confidence_of,
    rate_material,
)


def evidence(p: RatePrediction) -> RateEvidence:
    low, high = new_rate_interval(p)
    return RateEvidence(n_sites=p.n_sites, log_rate=p.mu, pi_low=low, pi_high=high, lag_days=p.lag)


@pytest.mark.parametrize(
    ("loss", "band"),
    [
        (100.0, Band.GONE),
        (90.0, Band.GONE),
        (100 * (1 - 0.1), Band.GONE),
        (89.99, Band.NEARLY_GONE),
        (70.0, Band.NEARLY_GONE),
        (69.99, Band.STILL_IN_PIECES),
        (30.0, Band.STILL_IN_PIECES),
        (29.99, Band.LITTLE_CHANGE),
        (-3.0, Band.LITTLE_CHANGE),
    ],
)
def test_exactly_the_limit_counts_as_reached(loss, band):
    assert band_of(loss) is band


def test_a_rate_by_hand():
    # Six sites: t with 4 degrees of freedom. Predictive scale 0.5 on the log rate 0.03 per day.
    half = 0.5 * t.ppf(0.975, 4)
    found = rate_material(
        RateEvidence(6, np.log(0.03), 0.03 * np.exp(-half), 0.03 * np.exp(half), lag_days=4.0)
    )

    # t(4) passes 0.9410 with chance 0.2 (tables of Student's t).
    by_hand = 100 * (1 - np.exp(-0.03 * np.exp(-0.5 * 0.9410) * 80))
    assert found.loss_in_most_piles_pct == pytest.approx(by_hand, abs=0.01)
    assert found.band is Band.NEARLY_GONE
    assert found.confidence == "fair"


@given(
    mu=st.floats(-6, -1),
    se=st.floats(0.02, 0.5),
    tau2=st.floats(0, 0.5),
    n_sites=st.integers(3, 25),
    lag=st.floats(0, 20),
)
def test_gone_means_that_nine_tenths_are_lost_in_eight_of_ten_piles(mu, se, tau2, n_sites, lag):
    p = RatePrediction(mu, se, tau2, 0.5 * tau2, n_sites, lag=lag)

    chance = chance_lost_by(p, RATING_DAY)
    band = rate_material(evidence(p)).band

    if abs(chance - MOST_PILES) > 1e-6:
        assert (band is Band.GONE) == (chance > MOST_PILES)


@given(st.floats(-6, -1), st.floats(0.05, 0.8), st.integers(3, 25))
def test_a_faster_material_never_gets_a_lower_band(mu, se, n_sites):
    order = [Band.LITTLE_CHANGE, Band.STILL_IN_PIECES, Band.NEARLY_GONE, Band.GONE]

    slow = rate_material(evidence(RatePrediction(mu, se, 0.1, 0.05, n_sites))).band
    fast = rate_material(evidence(RatePrediction(mu + 0.5, se, 0.1, 0.05, n_sites))).band

    assert order.index(fast) >= order.index(slow)


@pytest.mark.parametrize("n_sites", [0, 1, 2])
def test_fewer_than_three_sites_are_not_enough_evidence(n_sites):
    found = rate_material(RateEvidence(n_sites, -3.0, 0.01, 0.2))

    assert found.band is Band.NOT_ENOUGH_EVIDENCE
    assert found.confidence == "none"


def test_an_estimate_without_a_prediction_is_not_enough_evidence():
    assert rate_material(RateEvidence(5, -3.0, None, None)).band is Band.NOT_ENOUGH_EVIDENCE


def test_no_measurable_loss_at_several_sites_is_little_change_by_its_bound():
    polyethylene = RateEvidence(6, None, None, None, rate_low=None, rate_high=0.0004)

    assert rate_material(polyethylene).band is Band.LITTLE_CHANGE
    assert rate_material(polyethylene).confidence == "low"


def test_gone_before_the_first_look_is_gone_by_its_bound():
    assert rate_material(RateEvidence(6, None, None, None, rate_low=0.25)).band is Band.GONE


def test_a_bound_that_settles_nothing_is_not_enough_evidence():
    found = rate_material(RateEvidence(6, None, None, None, rate_low=0.001, rate_high=0.3))

    assert found.band is Band.NOT_ENOUGH_EVIDENCE


def test_confidence_comes_from_the_number_of_sites():
    assert [confidence_of(n) for n in (2, 3, 4, 5, 9, 10)] == [
        *("none", "low", "low", "fair", "fair", "good")
    ]


def test_cut_offs_fall_from_band_to_band():
    assert list(CUT_OFFS_PCT.values()) == sorted(CUT_OFFS_PCT.values(), reverse=True)
