"""Mass balance of a bag. Outside values by their CV number; the source stands beside each value."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.science.mass_balance import (
    AshRefusal,
    BagMasses,
    ash_fraction,
    correct_for_compost,
    disintegration_pct,
    handling_loss,
    moisture_dry_basis,
    moisture_wet_basis,
    oven_dry_mass_g,
    reaches_target,
    replicates_agree,
    weigh,
)
from registry.science.types import ScienceError
from tests.science.pooling_checks import CHECKS


def bag(**known):
    names = BagMasses.__dataclass_fields__
    values = {name: np.array([known.get(name, np.nan)], float) for name in names}
    values["ash_conserved"] = np.array([known.get("ash_conserved", True)])
    return BagMasses(**values)


def test_degree_of_disintegration_of_one_bag():
    # CV-001, principle of ISO 20200 and ISO 16929.
    given_ = CHECKS["CV-001"]["inputs"]
    found = weigh(
        bag(
            initial_mass_g=given_["dry_mass_initial_g"],
            dry_mass_g=given_["dry_mass_retained_gt_2mm_g"],
        )
    )
    assert disintegration_pct(found.remaining)[0] == pytest.approx(91.5, abs=1e-9)


def test_exactly_ninety_per_cent_counts_as_reached():
    # CV-002, EN 13432 summaries.
    given_ = CHECKS["CV-002"]["inputs"]
    remaining = np.array(given_["cases_residue_g"]) / given_["dry_mass_initial_g"]
    assert reaches_target(remaining).tolist() == CHECKS["CV-002"]["expected"]["recommended_pass"]


def test_parallel_samples_agree_within_twenty_points():
    # CV-004, BS EN 17428:2023 summary.
    pairs = np.array(CHECKS["CV-004"]["inputs"]["replicate_pairs_pct"])
    assert replicates_agree(pairs[:, 0], pairs[:, 1]).tolist() == [True, False]


def test_moisture_is_on_wet_basis_and_its_dry_basis_twin_exceeds_one():
    # CV-019 (a published worked example of grass clippings) and CV-021.
    wet, dry = np.array([10.0]), np.array([2.3])
    assert moisture_wet_basis(wet, dry)[0] == pytest.approx(0.77, abs=1e-12)
    assert 100 * moisture_dry_basis(wet, dry)[0] == pytest.approx(334.783, abs=0.01)


def test_a_dry_basis_moisture_is_refused():
    with pytest.raises(ScienceError, match="wet-basis"):
        oven_dry_mass_g(np.array([10.0]), np.array([3.34]))


@pytest.mark.parametrize(
    ("weights", "ash_free"),
    [((17.17, 17.615, 17.2), 0.9325842697), ((17.798, 18.534, 18.196), 0.4592391304)],
)
def test_ash_from_crucible_weights_of_published_bags(weights, ash_free):
    # CV-023 (bag 4858) and CV-028 (bag 845), Gill et al. 2022, J. Ecology.
    found = 1.0 - ash_fraction(*(np.array([w]) for w in weights))
    assert found[0] == pytest.approx(ash_free, abs=1e-6)


def test_a_published_bag_that_gained_mass_is_kept_and_marked_as_an_upper_limit():
    # CV-026, Gill et al. 2022: apparent 501 %.
    given_ = CHECKS["CV-026"]["inputs"]
    found = weigh(bag(initial_mass_g=given_["init_g"], dry_mass_g=given_["final_g"]))
    expected = CHECKS["CV-026"]["expected"]["prop_mass_apparent"]
    assert found.remaining[0] == pytest.approx(expected, rel=1e-5)
    assert found.upper_limit[0]
    assert not found.ash_corrected[0]


def test_uncorrected_mass_of_published_bags():
    # CV-025 and CV-028, Gill et al. 2022.
    for name, key in (("CV-025", "prop_mass"), ("CV-028", "prop_mass_apparent")):
        given_, expected = CHECKS[name]["inputs"], CHECKS[name]["expected"]
        found = weigh(bag(initial_mass_g=given_["init_g"], dry_mass_g=given_["final_g"]))
        assert found.uncorrected[0] == pytest.approx(expected[key], rel=1e-4)


def test_ash_correction_by_two_endmembers():
    # CV-029: formula after Blair 1988; sample ash is a published bag's, endmembers assumed.
    given_, expected = CHECKS["CV-029"]["inputs"], CHECKS["CV-029"]["expected"]
    found = weigh(
        bag(
            initial_mass_g=given_["init_g"],
            dry_mass_g=given_["sample_mass_g"],
            residue_ash=1 - given_["afdm_sample_pct"] / 100,
            initial_ash=1 - given_["afdm_specimen_pct"] / 100,
            contaminant_ash=1 - given_["afdm_contaminant_pct"] / 100,
        )
    )
    assert 100 * found.remaining[0] == pytest.approx(expected["corrected_remaining_pct"], abs=0.002)
    assert found.uncorrected[0] == pytest.approx(0.73006)
    assert found.ash_corrected[0]


def test_ash_correction_refuses_impossible_inputs():
    # CV-031, own reasoning.
    cases = CHECKS["CV-031"]["inputs"]["cases"]
    residue, start, contaminant = (
        1 - np.array([case[key] for case in cases]) / 100 for key in ("s", "l", "c")
    )
    found = correct_for_compost(residue, start, contaminant)
    assert found.refusal.tolist() == [
        AshRefusal.FRACTION_ABOVE_ONE,
        AshRefusal.FRACTION_BELOW_ZERO,
        AshRefusal.ENDMEMBERS_TOO_CLOSE,
    ]
    assert np.isnan(found.fraction).all()


def test_endmembers_nineteen_points_apart_are_too_close_and_twenty_are_not():
    found = correct_for_compost(np.array([0.5, 0.5]), np.array([0.41, 0.40]), np.array([0.6, 0.6]))
    assert found.refusal.tolist() == [AshRefusal.ENDMEMBERS_TOO_CLOSE, AshRefusal.CORRECTED]


def test_a_carbonate_filled_material_is_not_corrected_by_ash():
    found = correct_for_compost(
        np.array([0.4]), np.array([0.1]), np.array([0.7]), ash_conserved=np.array([False])
    )
    assert found.refusal[0] == AshRefusal.ASH_NOT_CONSERVED


def test_uncertainty_of_the_correction_agrees_with_random_errors():
    rng = np.random.default_rng(1)
    r, s, c = 0.35, 0.05, 0.65
    found = correct_for_compost(np.array([r]), np.array([s]), np.array([c]))
    n = 200_000
    noisy = [m + sd * rng.normal(size=n) for m, sd in ((r, 0.01), (s, 0.01), (c, 0.03))]
    simulated = np.std((noisy[0] - noisy[2]) / (noisy[1] - noisy[2]))
    # First-order propagation: the second order is (0.03/0.6)², a quarter of a per cent.
    assert found.sd[0] == pytest.approx(simulated, rel=0.01)


@given(
    st.floats(0.5, 500),
    st.floats(0, 0.9),
    st.floats(0, 2),
    st.floats(1e-3, 1e3),
)
def test_remaining_does_not_depend_on_the_unit_of_mass(mass, moisture, share, unit):
    def remaining(factor):
        return weigh(
            bag(
                initial_mass_g=mass * factor,
                initial_moisture=moisture,
                dry_mass_g=mass * share * factor,
            )
        ).remaining[0]

    assert remaining(unit) == pytest.approx(remaining(1.0), rel=1e-12)


def test_a_wet_residue_is_dried_by_its_moisture():
    found = weigh(bag(initial_mass_g=10, wet_mass_g=8, residue_moisture=0.75, initial_moisture=0.2))
    assert found.remaining[0] == pytest.approx(2 / 8)


def test_handling_loss_is_the_mean_of_travel_bags_with_its_standard_error():
    found = handling_loss(np.array([0.97, 0.99, 0.98]))
    assert found.remaining == pytest.approx(0.98)
    assert found.standard_error == pytest.approx(0.01 / np.sqrt(3))
    assert found.corrects
    assert not handling_loss(np.array([0.97, 0.99])).corrects
