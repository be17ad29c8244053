import math

import pytest

from frontend.presenters import pooled, pooled_words
from frontend.presenters.completeness import cell_words
from frontend.presenters.runs import progress_of
from registry.models import PooledEstimate, PoolingRun
from registry.queries.completeness import DayCount


def estimate(**values):
    return PooledEstimate(**{"outcome": "decay_rate", "model": "two_stage", **values})


def test_heterogeneity_is_told_as_a_factor():
    words = pooled_words.heterogeneity(estimate(tau2_site=math.log(2) ** 2))

    assert words == [
        "Between sites: τ = 0.69 on the log scale. At two of three sites the rate lies between "
        "0.50 and 2.0 times the typical one."
    ]


def test_no_spread_between_sites_is_a_result_with_its_caveat():
    assert "τ = 0" in pooled_words.heterogeneity(estimate(tau2_site=0))[0]
    assert "weak evidence" in pooled_words.heterogeneity(estimate(tau2_site=0))[0]


def test_a_spread_that_was_not_estimated_is_not_called_zero():
    assert pooled_words.heterogeneity(estimate(tau2_site=None)) == [
        "The difference between sites cannot be estimated from these looks."
    ]


@pytest.mark.parametrize(("p", "text"), [(0.0002, "p < 0.001"), (0.038, "p = 0.038")])
def test_q_comes_with_its_degrees_of_freedom(p, text):
    words = pooled_words.heterogeneity(estimate(tau2_site=0.1, i2_pct=64.2, q=8.41, q_df=3, q_p=p))

    assert words[1] == "I² = 64 %: so much of the spread seen between sites is more than chance."
    assert words[2] == f"Q = 8.41 on 3 degrees of freedom ({text})."


@pytest.mark.parametrize(
    ("without", "whole", "text"),
    [(0.022, 0.02, "+10.0 %"), (0.018, 0.02, "−10.0 %"), (None, 0.02, "–"), (0.02, None, "–")],
)
def test_the_change_without_a_site_has_a_sign(without, whole, text):
    assert pooled._change(without, whole) == text


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (DayCount(), "none planned"),
        (DayCount(planned=12, weighed=12), "12 of 12"),
        (
            DayCount(planned=12, weighed=8, lost=1, damaged=1, late=2, waiting=2),
            "8 of 12, 1 lost, 1 torn, 2 off schedule, 2 waiting",
        ),
    ],
)
def test_a_cell_of_the_grid_says_what_is_missing(count, text):
    assert cell_words(count) == text


def test_progress_never_shows_more_than_all_steps():
    progress = progress_of(PoolingRun(state="running", stage="gathering", done=9, total=7))

    assert (progress.done, progress.total) == (7, 7)
    assert progress.stage == "reading the looks"
    assert not progress.is_over


def test_a_second_attempt_is_mentioned_and_a_first_is_not():
    assert progress_of(PoolingRun(state="running", attempt=2)).attempt == "attempt 2"
    assert progress_of(PoolingRun(state="running", attempt=1)).attempt == ""


def test_a_failed_run_is_over_and_keeps_its_reason():
    progress = progress_of(PoolingRun(state="failed", error="No looks."))

    assert progress.is_over
    assert not progress.is_done
    assert progress.error == "No looks."
