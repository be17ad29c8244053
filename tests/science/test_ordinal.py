"""Visual scores: the cumulative-link mixed model against pinned fits, a dense double, the truth."""

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import norm

from registry.science.ordinal import OrdinalOutcome, class_chances, fit_ordinal
from registry.science.types import ScienceError
from tests.science.one_stage_references import columns, results

# Pinned by the specification: log-likelihood to 1e-5, coefficients to 1e-3.
LOGLIK, COEFFICIENT = 1e-5, 1e-3
WINE_DESIGN = np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 0.0], [1.0, 1.0]])


def wine(by_judge=True):
    """Randall 1989, Biometrical Journal 31, 781-793: bitterness by temperature and contact."""
    data = columns("ordinal_wine")
    pattern = 2 * (data["temp"] == "warm") + (data["contact"] == "yes")
    group = data["judge"].astype(int) if by_judge else np.zeros(72, int)
    return data["rating"].astype(int), group, group, pattern


def nested():
    data = columns("ordinal_nested")
    pattern = np.searchsorted(["A", "B", "C", "D"], data["material"])
    score, site, pile = (data[k].astype(int) for k in ("fragmentation", "site", "pile"))
    return score, site, pile, pattern


def draw(rng, n_sites, n_piles, beta, tau_site, tau_pile, n_bags=4):
    """Scores 0-5 of len(beta) + 1 materials in every pile, the first one the reference."""
    site = np.repeat(np.arange(n_sites), n_piles)
    effect = rng.normal(0, tau_site, n_sites)[site] + rng.normal(0, tau_pile, len(site))
    codes = np.arange(len(site)), np.arange(len(beta) + 1), np.arange(n_bags)
    pile, pattern, _ = (x.ravel() for x in np.meshgrid(*codes, indexing="ij"))
    predictor = np.concatenate([[0.0], beta])[pattern] + effect[pile]
    latent = predictor + rng.logistic(size=len(pile))
    score = np.searchsorted([-1.5, -0.3, 0.8, 2.0, 3.2], latent)
    return score, site[pile], pile, pattern, np.eye(len(beta) + 1)[:, 1:]


# --- pinned fits ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "link", "n_nodes"),
    [
        ("clmm_judge_logit_nAGQ1", "logit", 1),
        ("clmm_judge_logit_nAGQ5", "logit", 5),
        ("clmm_judge_logit_nAGQ10", "logit", 10),
        ("clmm_judge_probit_nAGQ10", "probit", 10),
    ],
)
def test_the_wine_judges_agree_with_clmm(name, link, n_nodes):
    pinned = results("ordinal_wine")["fits"][name]

    fit = fit_ordinal(*wine(), WINE_DESIGN, link, n_nodes)

    assert fit.loglik == pytest.approx(pinned["logLik"], abs=LOGLIK)
    np.testing.assert_allclose(
        fit.thresholds, list(pinned["thresholds"].values()), atol=COEFFICIENT
    )
    np.testing.assert_allclose(fit.beta, list(pinned["beta"].values()), atol=COEFFICIENT)
    assert fit.tau2_site**0.5 == pytest.approx(pinned["sd"]["judge.(Intercept)"], abs=COEFFICIENT)
    assert fit.tau2_pile is None
    if n_nodes == 1:
        se = list(pinned["se"].values())[:6]
        np.testing.assert_allclose(fit.standard_errors[:6], se, atol=COEFFICIENT)
        modes = pinned["ranef"]["judge"]["mode"]
        np.testing.assert_allclose(fit.site_effects, modes, atol=COEFFICIENT)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_without_random_effects_the_wine_agrees_with_clm(link):
    pinned = results("ordinal_wine")["fits"][f"clm_{link}"]

    fit = fit_ordinal(*wine(by_judge=False), WINE_DESIGN, link)

    assert fit.tau2_site is None
    assert fit.loglik == pytest.approx(pinned["logLik"], abs=1e-9)
    np.testing.assert_allclose(fit.beta, list(pinned["beta"].values()), atol=1e-6)
    np.testing.assert_allclose(fit.standard_errors, list(pinned["se"].values()), atol=1e-4)


@pytest.mark.parametrize("index", [0, 1], ids=["logit", "probit"])
def test_piles_nested_in_sites_agree_with_clmm(index):
    """Made by ordinal_nested.R with R ordinal; clmm stops at 1e-7 of the gradient."""
    pinned = results("ordinal_nested")["fits"][index]

    fit = fit_ordinal(*nested(), np.eye(4)[:, 1:], pinned["link"])

    assert fit.loglik == pytest.approx(pinned["loglik"], abs=LOGLIK)
    np.testing.assert_allclose(fit.thresholds, pinned["thresholds"], atol=COEFFICIENT)
    np.testing.assert_allclose(fit.beta, pinned["beta"], atol=COEFFICIENT)
    np.testing.assert_allclose(fit.standard_errors[:8], pinned["se"], atol=COEFFICIENT)
    assert fit.tau2_site**0.5 == pytest.approx(pinned["sd_site"], abs=COEFFICIENT)
    assert fit.tau2_pile**0.5 == pytest.approx(pinned["sd_pile"], abs=COEFFICIENT)
    np.testing.assert_allclose(fit.site_effects, pinned["site_modes"], atol=COEFFICIENT)


# --- a second, dense implementation --------------------------------------------------------------


def dense_laplace(score, site, pile, pattern, design, link, thresholds, beta, taus):
    """Laplace log-likelihood with dense matrices; derivatives of each pile by differences."""
    cumulative = expit if link == "logit" else norm.cdf
    edges = np.concatenate([[-np.inf], thresholds, [np.inf]])
    _, code = np.unique(score, return_inverse=True)
    _, first, leaf = np.unique(pile, return_index=True, return_inverse=True)
    _, top = np.unique(site[first], return_inverse=True)
    z_matrix = np.hstack([taus[0] * np.eye(len(first)), taus[1] * np.eye(top.max() + 1)[top]])
    x = np.zeros(z_matrix.shape[1])

    def of(effect):
        predictor = design[pattern] @ beta + effect[leaf]
        p = cumulative(edges[code + 1] - predictor) - cumulative(edges[code] - predictor)
        return np.bincount(leaf, np.log(p), len(first))

    for _ in range(50):
        e, h = z_matrix @ x, 1e-3
        near = [of(e + k * h) for k in (-2, -1, 0, 1, 2)]
        slope = (near[0] - 8 * near[1] + 8 * near[3] - near[4]) / (12 * h)
        bend = (-near[0] + 16 * near[1] - 30 * near[2] + 16 * near[3] - near[4]) / (12 * h**2)
        hessian = z_matrix.T @ (-bend[:, None] * z_matrix) + np.eye(len(x))
        x = x + np.linalg.solve(hessian, z_matrix.T @ slope - x)
    return of(z_matrix @ x).sum() - 0.5 * x @ x - 0.5 * np.linalg.slogdet(hessian)[1]


def random_scores(seed):
    rng = np.random.default_rng(seed)
    beta = rng.uniform(-1.5, 1.5, int(rng.integers(1, 4)))
    taus = rng.choice([0.0, 0.4, 0.8], 2)
    data = draw(rng, int(rng.integers(2, 6)), int(rng.integers(1, 4)), beta, taus[1], taus[0], 3)
    kept = rng.random(len(data[0])) > 0.25
    return tuple(x[kept] for x in data[:4]) + data[4:]


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_unbalanced_designs_agree_with_the_dense_double_at_their_optimum(link):
    compared = boundary = 0
    for seed in range(110):
        data = random_scores(seed)
        if len(np.unique(data[3])) < len(data[4]):
            continue

        fit = fit_ordinal(*data, link)

        taus = np.sqrt([fit.tau2_pile or 0.0, fit.tau2_site or 0.0])
        dense = dense_laplace(*data, link, fit.thresholds, fit.beta, taus)
        assert fit.loglik == pytest.approx(dense, abs=1e-6), seed
        for index in (0, 1):
            beside = taus.copy()
            beside[index] += 0.05
            if (fit.tau2_pile, fit.tau2_site)[index] is not None:
                lower = dense_laplace(*data, link, fit.thresholds, fit.beta, beside)
                assert lower < dense + 1e-7, seed
        compared += 1
        boundary += fit.at_boundary
    assert compared >= 100
    assert boundary >= 20


# --- invariances and truth -----------------------------------------------------------------------


def test_order_names_and_spacing_of_classes_do_not_matter():
    score, site, pile, pattern = nested()
    order = np.random.default_rng(1).permutation(len(score))

    one = fit_ordinal(score, site, pile, pattern, np.eye(4)[:, 1:])
    other = fit_ordinal(
        10 * score[order] + 3, 70 - site[order], 500 - pile[order], pattern[order], np.eye(4)[:, 1:]
    )

    assert other.loglik == pytest.approx(one.loglik, abs=1e-9)
    np.testing.assert_allclose(other.beta, one.beta, atol=1e-6)
    assert other.classes == tuple(10 * c + 3 for c in one.classes)


def test_turning_the_scale_round_turns_the_signs():
    score, site, pile, pattern = nested()

    one = fit_ordinal(score, site, pile, pattern, np.eye(4)[:, 1:])
    turned = fit_ordinal(5 - score, site, pile, pattern, np.eye(4)[:, 1:])

    assert turned.loglik == pytest.approx(one.loglik, abs=1e-8)
    np.testing.assert_allclose(turned.thresholds, -one.thresholds[::-1], atol=1e-5)
    np.testing.assert_allclose(turned.beta, -one.beta, atol=1e-5)


def test_the_truth_is_recovered():
    beta = np.array([1.0, -1.0, 2.0])
    data = draw(np.random.default_rng(3), 40, 4, beta, 0.7, 0.5, 6)

    fit = fit_ordinal(*data)

    np.testing.assert_allclose(fit.beta, beta, atol=4 * fit.standard_errors[5:8].max())
    np.testing.assert_allclose(fit.thresholds, [-1.5, -0.3, 0.8, 2.0, 3.2], atol=0.45)
    assert fit.tau2_site**0.5 == pytest.approx(0.7, abs=0.25)
    assert fit.tau2_pile**0.5 == pytest.approx(0.5, abs=0.15)


def test_chances_of_classes_are_those_of_a_large_draw_of_new_piles():
    fit = fit_ordinal(*nested(), np.eye(4)[:, 1:])
    rng = np.random.default_rng(4)
    spread = np.sqrt(fit.tau2_site + fit.tau2_pile)
    latent = fit.beta[0] + spread * rng.normal(size=400_000) + rng.logistic(size=400_000)
    drawn = np.bincount(np.searchsorted(fit.thresholds, latent), minlength=6) / 400_000

    chances = class_chances(fit, np.array([1.0, 0.0, 0.0]))

    assert chances.classes == (0, 1, 2, 3, 4, 5)
    np.testing.assert_allclose(chances.new_pile, drawn, atol=0.004)
    assert chances.typical.sum() == pytest.approx(1.0)
    assert np.all(chances.typical > 0)


# --- what the scores cannot tell -----------------------------------------------------------------


def test_scores_all_alike_are_an_outcome_with_a_chance_of_one():
    fit = fit_ordinal(np.full(12, 5), np.arange(12) // 4, np.arange(12) // 2)

    assert fit.outcome is OrdinalOutcome.ONE_CLASS
    assert fit.notes[0].code == "scores_all_alike"
    assert class_chances(fit).new_pile == pytest.approx([1.0])


def test_a_material_wholly_in_the_last_class_is_said_to_be_only_bounded():
    score, site, pile, pattern = nested()
    score = np.where(pattern == 2, 5, score)

    fit = fit_ordinal(score, site, pile, pattern, np.eye(4)[:, 1:])

    assert "scores_all_at_one_end" in [note.code for note in fit.notes]
    chance = class_chances(fit, np.array([0.0, 1.0, 0.0]))
    assert chance.new_pile[-1] > 0.99
    assert np.all(np.isfinite(fit.beta))


def test_one_pile_per_site_and_one_site_leave_out_what_cannot_be_separated():
    score, site, pile, pattern = nested()
    design = np.eye(4)[:, 1:]

    one_each = fit_ordinal(score, pile, pile, pattern, design)
    one_site = fit_ordinal(score, np.zeros_like(site), pile, pattern, design)

    assert one_each.tau2_pile is None
    assert one_site.tau2_site is None
    assert one_site.tau2_pile > 0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"link": "cauchit"}, "link"),
        ({"site": np.zeros(3, int)}, "length"),
        ({"pile": np.zeros(251, int)}, "two sites"),
        ({"design": np.ones((4, 1))}, "told apart"),
        ({"pattern": np.full(251, 9)}, "no row"),
    ],
)
def test_contradictions_are_refused_with_a_sentence(change, message):
    score, site, pile, pattern = nested()
    whole = {"score": score, "site": site, "pile": pile, "pattern": pattern}

    with pytest.raises(ScienceError, match=message):
        fit_ordinal(**{**whole, "design": np.eye(4)[:, 1:], **change})
