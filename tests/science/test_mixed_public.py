"""The general route against lme4, lmerTest and pbkrtest on public data.

Tolerances are those of the project's accuracy page: criterion 1e-6 at lme4's tight optimum,
variances 1e-4 relative, everything about fixed effects 1e-6 relative (lmerTest differentiates
numerically and lme4's θ carries about 1e-8, which is why not closer).
"""

import numpy as np
import pytest

from registry.science.mixed.degrees_of_freedom import adjusted_vcov, estimate_linear, varying
from registry.science.mixed.f_test import f_test
from tests.science.mixed_reference import PUBLIC, by_name, public_model

CASES = [(name, method) for name in PUBLIC for method in ("REML", "ML")]
REML = list(PUBLIC)


def test_the_public_grid_has_not_shrunk():
    assert len(PUBLIC) == 10
    assert sum("emmeans" in key for case in PUBLIC.values() for key in case) >= 5


@pytest.mark.parametrize(("name", "method"), CASES)
def test_criterion_variances_and_fixed_effects_are_those_of_lme4(name, method):
    expected = PUBLIC[name][method]

    fit = public_model(name).fit(method.lower())

    assert fit.criterion == pytest.approx(expected["minus2logLik"], abs=1e-6)
    assert fit.beta == pytest.approx(by_name(expected["fixef"], fit.names), rel=1e-6)
    assert fit.standard_error == pytest.approx(by_name(expected["fixef_se"], fit.names), rel=1e-6)
    assert fit.vcov == pytest.approx(np.array(expected["vcov"]["values"]), rel=1e-6)
    for row in expected["varcomp"]:
        ours = fit.sigma2 if row["group"] == "Residual" else fit.components[row["group"]]
        assert ours == pytest.approx(row["vcov"], rel=1e-4)
    assert bool(fit.at_boundary) is expected["singular"]


@pytest.mark.parametrize(("name", "method"), CASES)
def test_satterthwaite_degrees_of_freedom_are_those_of_lmertest(name, method):
    fit = public_model(name).fit(method.lower())

    linear = estimate_linear(fit, np.eye(fit.p), "satterthwaite")

    expected = by_name(PUBLIC[name][method]["satterthwaite"]["df"], fit.names)
    assert linear.df == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("name", REML)
def test_kenward_roger_is_that_of_pbkrtest(name):
    fit = public_model(name).fit("reml")
    expected = PUBLIC[name]["REML"]["kenward_roger"]

    linear = estimate_linear(fit, np.eye(fit.p), "kenward_roger", boundary="keep")

    assert linear.df == pytest.approx(by_name(expected["df"], fit.names), rel=1e-6)
    assert linear.standard_error == pytest.approx(by_name(expected["se"], fit.names), rel=1e-6)
    adjusted = adjusted_vcov(varying(fit, "keep"))
    assert adjusted == pytest.approx(np.array(expected["vcov_adj"]["values"]), rel=1e-6)


def test_a_component_at_zero_is_dropped_for_degrees_of_freedom():
    # Box & Tiao's data, one batch variance estimated as zero: 30 values less one mean.
    fit = public_model("lmm.Dyestuff2").fit("reml")

    linear = estimate_linear(fit, np.eye(1), "kenward_roger")

    assert fit.at_boundary == ("Batch",)
    assert linear.df == pytest.approx([29.0])


@pytest.mark.parametrize("name", [n for n in REML if "anova3_Kenward-Roger" in PUBLIC[n]["REML"]])
@pytest.mark.parametrize(
    ("method", "table"),
    [("kenward_roger", "anova3_Kenward-Roger"), ("satterthwaite", "anova3_Satterthwaite")],
)
def test_joint_tests_are_those_of_lmertest(name, method, table):
    fit = public_model(name).fit("reml")
    for row in PUBLIC[name]["REML"][table]:
        # Type III with treatment contrasts is the test of a term's own columns, unless it is part
        # of an interaction, where its contrasts are averaged over the other factor.
        l = _rows_of(fit.names, row["term"])
        if l is None:
            continue

        test = f_test(fit, l, method)

        assert test.numerator_df == row["NumDF"]
        assert test.f == pytest.approx(row["F value"], rel=1e-6)
        assert test.denominator_df == pytest.approx(row["DenDF"], rel=1e-6)
        assert test.p == pytest.approx(row["Pr(>F)"], rel=1e-5)


def _rows_of(names, term):
    in_interaction = any(":" in n for n in names)
    if in_interaction and ":" not in term:
        return None
    parts = term.split(":")
    chosen = [
        i
        for i, name in enumerate(names)
        if name.count(":") == len(parts) - 1
        and all(a.startswith(b) for a, b in zip(name.split(":"), parts, strict=True))
    ]
    return np.eye(len(names))[chosen]


@pytest.mark.parametrize(("name", "method"), CASES)
def test_predicted_effects_are_those_of_lme4(name, method):
    model = public_model(name)

    fit = model.fit(method.lower())

    for term in model.terms:
        blup = PUBLIC[name][method]["blup"].get(term.name)
        if blup is None or len(PUBLIC[name][method]["blup"]) < len(model.terms):
            continue
        expected = dict(zip(blup["levels"], blup["(Intercept)"], strict=True))
        ours = fit.random_effects[term.name]
        scale = max(np.abs(list(expected.values())).max(), 1e-12)
        assert ours == pytest.approx(by_name(expected, term.levels), rel=1e-4, abs=1e-5 * scale)
