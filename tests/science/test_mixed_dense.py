"""The engine against a slow dense second implementation, on random unbalanced trials.

More than 400 trials of two to six sites, one to four piles, one to five materials and one to four
bags, up to 40 % of the bags lost, and each variance zero in about a third of them, so that the
boundary is met often.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import assume, event, given, settings
from hypothesis import strategies as st

from registry.science.mixed.cells import collapse
from registry.science.mixed.degrees_of_freedom import (
    adjusted_vcov,
    covariance_of_components,
    estimate_linear,
    varying,
)
from registry.science.mixed.fixed_day_variances import FixedDayOptions, NotPooled, fit_variances
from registry.science.mixed.general import MixedFit, fit_mixed
from registry.science.mixed.nested import RandomTerm
from registry.science.mixed.site_blocks import ALL_TERMS
from tests.science import dense_mixed

EXAMPLES = 220


@dataclass
class Trial:
    site: np.ndarray
    pile: np.ndarray
    material: np.ndarray
    y: np.ndarray

    @property
    def groups(self) -> dict[str, np.ndarray]:
        s, p, m = self.site, self.pile, self.material
        keys = (s, s * 100 + m, s * 100 + p, (s * 100 + p) * 100 + m)
        return dict(zip(ALL_TERMS, keys, strict=True))

    @property
    def x(self) -> np.ndarray:
        return (self.material[:, None] == np.unique(self.material)).astype(float)


def make_trial(seed, sites, piles, materials, bags, loss, sd) -> Trial:
    rng = np.random.default_rng(seed)
    grid = np.meshgrid(*(np.arange(k) for k in (sites, piles, materials, bags)), indexing="ij")
    s, p, m, _ = (g.ravel() for g in grid)
    keep = (p < rng.integers(1, piles + 1, sites)[s]) & (rng.random(len(s)) >= loss)
    s, p, m = s[keep], p[keep], m[keep]
    y = 50 + 5 * m + rng.normal(0, 3, len(s))
    y += sd[0] * rng.normal(size=sites)[s] + sd[2] * rng.normal(size=(sites, piles))[s, p]
    y += sd[1] * rng.normal(size=(sites, materials))[s, m]
    y += sd[3] * rng.normal(size=(sites, piles, materials))[s, p, m]
    return Trial(s, p, m, y)


spreads = st.sampled_from([0.0, 2.0, 6.0])
trials = st.builds(
    make_trial,
    seed=st.integers(0, 2**32 - 1),
    sites=st.integers(2, 6),
    piles=st.integers(1, 4),
    materials=st.integers(1, 5),
    bags=st.integers(1, 4),
    loss=st.sampled_from([0.0, 0.2, 0.4]),
    sd=st.tuples(spreads, spreads, spreads, spreads),
)


def fit_or_skip(trial: Trial, method: str) -> MixedFit:
    assume(2 < len(trial.y) <= 100)
    cells = collapse(trial.site, trial.pile, trial.material, trial.y)
    fit = fit_variances(cells, FixedDayOptions(method=method))
    assume(not isinstance(fit, NotPooled))
    return fit


@pytest.mark.parametrize("method", ["reml", "ml"])
@settings(max_examples=EXAMPLES // 4, deadline=None, derandomize=True)
@given(trial=trials)
def test_no_other_variances_have_a_lower_criterion(method, trial):
    fit = fit_or_skip(trial, method)
    event(f"components at zero: {len(fit.at_boundary)}")
    groups = [trial.groups[t] for t in fit.components]
    variances = np.array([fit.sigma2, *fit.components.values()])
    reml = method == "reml"

    best, _ = dense_mixed.minimise(trial.y, trial.x, groups, reml)

    ours = dense_mixed.criterion(trial.y, trial.x, groups, variances, reml)
    # With the residual at zero V is singular but for a millionth, and dense inverses lose digits.
    digits = 1e-8 if "residual" not in fit.at_boundary else 1e-4
    assert fit.criterion == pytest.approx(ours, abs=digits)
    assert fit.criterion <= best + max(1e-6, digits)


@pytest.mark.parametrize("method", ["reml", "ml"])
@settings(max_examples=EXAMPLES, deadline=None, derandomize=True)
@given(trial=trials)
def test_fixed_effects_and_degrees_of_freedom_follow_the_papers(method, trial):
    fit = fit_or_skip(trial, method)
    # A residual at zero has its own test: derivatives in it do not exist.
    assume("residual" not in fit.at_boundary)
    inside = [t for t in fit.components if t not in fit.at_boundary]
    assume(inside)
    groups = [trial.groups[t] for t in inside]
    variances = np.array([fit.sigma2, *(fit.components[t] for t in inside)])
    info = varying(fit)
    # Where the data hardly inform a component, both inverses are rounding; nothing to compare.
    assume(np.linalg.cond(_scaled(info.expected)) < 1e8)
    assume(np.linalg.eigvalsh(_scaled(info.observed))[0] > 1e-6)

    dense = dense_mixed.inference(trial.y, trial.x, groups, variances, method == "reml")

    l = np.eye(fit.p)
    assert fit.beta == pytest.approx(dense.beta, rel=1e-9)
    assert fit.vcov == pytest.approx(dense.vcov, rel=1e-7, abs=1e-9)
    assert adjusted_vcov(info) == pytest.approx(dense.vcov_adjusted, rel=1e-6, abs=1e-8)
    kenward_roger = estimate_linear(fit, l, "kenward_roger")
    assert kenward_roger.df == pytest.approx(dense.kenward_roger_df, rel=1e-6)
    satterthwaite = estimate_linear(fit, l, "satterthwaite")
    assert satterthwaite.df == pytest.approx(dense.satterthwaite_df, rel=1e-6)
    # The gradient, in units of each variance, vanishes at the optimum.
    assert dense.gradient * variances == pytest.approx(np.zeros(len(variances)), abs=1e-5)
    assert np.all(np.linalg.eigvalsh(covariance_of_components(info, "kenward_roger")) > 0)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(trial=trials)
def test_the_general_route_and_the_trial_route_are_one_model(trial):
    fit = fit_or_skip(trial, "reml")
    terms = []
    for name in fit.components:
        levels, codes = np.unique(trial.groups[name], return_inverse=True)
        terms.append(RandomTerm(name, codes, tuple(str(v) for v in levels)))
    names = tuple(str(m) for m in np.unique(trial.material))

    general = fit_mixed(trial.y, trial.x, names, terms)

    assert general.criterion == pytest.approx(fit.criterion, abs=1e-8)
    assert general.beta == pytest.approx(fit.beta, rel=1e-7)
    assert general.standard_error == pytest.approx(fit.standard_error, rel=1e-6)
    assert set(general.at_boundary) == set(fit.at_boundary)


def _scaled(a: np.ndarray) -> np.ndarray:
    size = np.sqrt(np.abs(np.diag(a)))
    return a / np.outer(size, size)
