"""How wide an interval a trial will give, and how likely it shows a difference: by formula.

Symbols: S sites, J piles per site, M materials, N bags of a material per pile on the day. With the
variance components of the fixed-day model (`registry.science.mixed`), in a balanced trial::

    mean of a material      V = (σ_s² + σ_sm²) / S + (σ_p² + σ_pm²) / (S J) + σ² / (S J N)
    difference of two       V = 2 [σ_sm² / S + σ_pm² / (S J) + σ² / (S J N)]

with S − 1 and (S − 1)(M − 1) degrees of freedom (Searle, Casella & McCulloch 1992, ch. 4). The
interval to be expected is t √V times E[χ_ν/√ν], because √V will be estimated too.

For days to 90 % the pile's log rate comes from its bags. With y = f + ε, f = exp(−k·max(0, t − L))
and Var ε = a + b f², the information about log k is Σ (k (t − L) f)² / (a + b f²) over bags. Its
inverse v joins τ_p²::

    log (t90 − L)           V = τ_s² / S + (τ_p² + v) / (S J)

v is taken at the typical rate, and L, a and b as known. `plan_simulation` draws and fits trials of
the model itself: beside it the formula was within 6 % at 3 to 20 sites.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln
from scipy.stats import nct
from scipy.stats import t as t_distribution

from registry.science.types import FloatArray, ScienceError

# Two sites give one degree of freedom and a t of 12.7; nobody should plan for fewer.
MIN_SITES = 2
LOG_10 = float(np.log(10.0))
# A standard error of ten in one pile's log rate: nothing is known of it.
LEAST_INFORMATION = 1e-2


@dataclass(frozen=True)
class Components:
    """Variances of the fixed-day model, in squared units of the value, >= 0."""

    site: float
    site_material: float
    pile: float
    pile_material: float
    residual: float


@dataclass(frozen=True)
class Plan:
    """A balanced trial: `piles` per site; `bags` per material and pile on each of `looks` days."""

    sites: int
    piles: int
    materials: int
    bags: int
    looks: int = 1

    @property
    def n_piles(self) -> int:
        return self.sites * self.piles

    @property
    def n_bags(self) -> int:
        return self.n_piles * self.materials * self.bags * self.looks


@dataclass(frozen=True)
class Costs:
    """Cost of a site, of a pile, and of a bag with its laboratory work, in any one unit."""

    site: float
    pile: float
    bag: float

    def of(self, plan: Plan) -> float:
        return plan.sites * self.site + plan.n_piles * self.pile + plan.n_bags * self.bag


@dataclass(frozen=True)
class Expected:
    """What the interval will look like: estimate ± `half_width`, on average over trials."""

    standard_error: float
    df: float
    half_width: float


@dataclass(frozen=True)
class DecayTruth:
    """What is assumed of a material's decay, for days to 90 %.

    Attributes
    ----------
    rate_per_day : k.
    tau2_site, tau2_pile : variances of log k between sites, and between piles of a site.
    a, b : residual variance a + b f² of the fraction remaining.
    lag_days : L.
    """

    rate_per_day: float
    tau2_site: float
    tau2_pile: float
    a: float
    b: float = 0.0
    lag_days: float = 0.0

    @property
    def days_to_90(self) -> float:
        """Days until the typical pile has lost nine tenths."""
        return self.lag_days + LOG_10 / self.rate_per_day


def expect_mean(components: Components, plan: Plan, level: float = 0.95) -> Expected:
    """Interval of one material's mean over sites."""
    check_plan(plan)
    s, sj = plan.sites, plan.sites * plan.piles
    variance = (
        (components.site + components.site_material) / s
        + (components.pile + components.pile_material) / sj
        + components.residual / (sj * plan.bags)
    )
    return _expected(variance, s - 1, level)


def expect_difference(components: Components, plan: Plan, level: float = 0.95) -> Expected:
    """Interval of the difference between two materials, not adjusted for many comparisons."""
    check_plan(plan)
    if plan.materials < 2:
        raise ScienceError("A difference needs two materials.")
    s, sj = plan.sites, plan.sites * plan.piles
    variance = 2 * (
        components.site_material / s
        + components.pile_material / sj
        + components.residual / (sj * plan.bags)
    )
    return _expected(variance, (s - 1) * (plan.materials - 1), level)


def power_of_difference(
    components: Components,
    plan: Plan,
    difference: float,
    *,
    level: float = 0.95,
    comparisons: int = 1,
) -> float:
    """Chance to show a true `difference` from the reference, by the noncentral t.

    `comparisons` materials are compared with the reference at once (Bonferroni), so the answer is a
    little cautious beside the single-step method of the analysis.
    """
    expected = expect_difference(components, plan, level)
    if expected.standard_error == 0:
        return 1.0 if difference else 1 - level
    critical = t_distribution.isf((1 - level) / 2 / comparisons, expected.df)
    away = abs(difference) / expected.standard_error
    # Beyond six standard errors scipy may give nan for the far tail, which is below 1e-8 there.
    far = float(np.nan_to_num(nct.cdf(-critical, expected.df, away)))
    return min(1.0, float(nct.sf(critical, expected.df, away)) + far)


def pile_log_rate_variance(truth: DecayTruth, days: FloatArray, bags: int) -> float:
    """Sampling variance of log k of one pile with `bags` bags on each of `days`.

    Raises
    ------
    ScienceError : no look informs the rate (all at day 0, or everything gone long before).
    """
    elapsed = np.maximum(0.0, np.asarray(days, dtype=float) - truth.lag_days)
    kt = truth.rate_per_day * elapsed
    f = np.exp(-kt)
    information = bags * float(((kt * f) ** 2 / (truth.a + truth.b * f**2)).sum())
    if information < LEAST_INFORMATION:
        raise ScienceError("No planned look falls where the material is still decaying.")
    return 1 / information


def expect_days_to_90(
    truth: DecayTruth, plan: Plan, days: FloatArray, level: float = 0.95
) -> Expected:
    """Interval of log (t90 − L), natural log: exp(half_width) is the factor up and down."""
    check_plan(plan)
    v = pile_log_rate_variance(truth, days, plan.bags)
    s = plan.sites
    variance = truth.tau2_site / s + (truth.tau2_pile + v) / (s * plan.piles)
    return _expected(variance, s - 1, level)


def _expected(variance: float, df: float, level: float) -> Expected:
    error = float(np.sqrt(variance))
    # E[χ_ν / √ν]: the estimated standard error is a little too small on average.
    shrink = np.exp(gammaln((df + 1) / 2) - gammaln(df / 2)) * np.sqrt(2 / df)
    half = float(t_distribution.isf((1 - level) / 2, df)) * error * float(shrink)
    return Expected(error, df, half)


def check_plan(plan: Plan) -> None:
    """Raise ScienceError for a plan that no interval can come from."""
    if plan.sites < MIN_SITES:
        raise ScienceError("A plan needs at least two sites: one says nothing about others.")
    if min(plan.piles, plan.materials, plan.bags) < 1:
        raise ScienceError("A plan needs at least one pile, one material and one bag.")
