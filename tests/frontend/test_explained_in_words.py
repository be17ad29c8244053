"""What may go with the rates, in sentences that never claim more than the interval."""

import pytest

from frontend.presenters import explained
from registry.models import Explanation


def answered(**values):
    numbers = {
        "kind": "filler_fraction",
        "subject": "polyester, pot: wood",
        "code": "answered",
        "ratio": 1.137,
        "ratio_low": 1.02,
        "ratio_high": 1.27,
        "ci_low": 0.002,
        "ci_high": 0.024,
        "r2_pct": 36.8,
        "n_sites": 8,
        "n_materials": 4,
        "n_rows": 32,
    }
    return Explanation(**{**numbers, **values})


def test_a_slope_is_told_as_a_factor_for_a_step():
    assert explained.sentence(answered()) == (
        "10 points more filler goes with a rate 1.14 times as high (95 % interval 1.02 to 1.27). "
        "It goes with faster decay."
    )


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (-0.02, 0.03, "cannot tell whether"),
        (-0.03, -0.01, "slower decay"),
        (0.01, 0.03, "faster decay"),
    ],
)
def test_a_direction_is_told_only_where_the_interval_has_one(low, high, said):
    assert said in explained.sentence(answered(ci_low=low, ci_high=high))


def test_an_interval_of_powers_of_ten_says_nothing_and_shows_no_number():
    said = explained.sentence(answered(ratio_low=1e-5, ratio_high=1e5))

    assert "too wide to say anything" in said
    assert "1.14" not in said


def test_a_refusal_gives_its_reason_and_no_share():
    refused = Explanation(
        kind="thickness", code="confounded", message="Thickness and filler move together here."
    )

    assert explained.sentence(refused) == ("No answer: Thickness and filler move together here.")
    assert explained.share(refused) == ""


def test_a_share_is_told_with_how_little_it_is_known():
    assert "R² = 37 %" in explained.share(answered())
    assert "hardly known from 8 sites" in explained.share(answered())
    assert "nothing to take away" in explained.share(answered(r2_pct=None))
