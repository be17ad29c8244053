"""What the curves leave over, and what each site moves, as the figures read them."""

import math

import pytest

from registry.figures.diagnostics import influences, residuals
from registry.figures.explained import explained
from registry.figures.shapes import Source
from registry.models import Explanation
from tests.frontend.small_trial import small_trial

pytestmark = pytest.mark.django_db


@pytest.fixture
def pots():
    return small_trial()


def rate_of(pots):
    return pots.run.estimates.get(material=pots.materials[1], outcome="decay_rate")


def test_influence_is_the_change_of_the_log_rate_in_its_standard_errors(pots):
    rate = rate_of(pots)
    without = {part.site.name: part.estimate for part in rate.left_out.all()}

    found = influences(rate)

    assert {one.site for one in found} == set(without)
    for one in found:
        moved = math.log(without[one.site] / rate.estimate)
        assert one.change == pytest.approx(moved / rate.log_standard_error)
    assert abs(found[0].change) == max(abs(one.change) for one in found)


def test_residuals_are_of_looks_in_the_fit_alone(pots):
    source = Source(rate_of(pots))
    heavy = pots.trial.bags.filter(material=pots.materials[1], retrievals__outcome="recovered")
    look = heavy.first().retrievals.get(outcome="recovered")
    before = len(source.fitted_means)
    type(look).objects.filter(pk=look.pk).update(dry_mass_g=500.0)

    after = Source(rate_of(pots))

    assert max(mean.remaining for mean in after.pile_means) > 1.05
    assert max(mean.remaining for mean in after.fitted_means) <= 1.05
    assert before - 1 <= len(after.fitted_means) <= before
    assert residuals(after) is not None


def test_thickness_without_an_answer_is_not_drawn(pots):
    filler = Explanation.objects.get(kind="filler_fraction")

    assert explained(filler) is not None
    filler.kind, filler.slope = "thickness", None
    assert explained(filler) is None


def test_the_influence_of_an_estimate_without_an_error_is_not_told(pots):
    rate = rate_of(pots)
    rate.log_standard_error = None

    assert influences(rate) == ()
