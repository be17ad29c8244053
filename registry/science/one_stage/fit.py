"""The primary estimate of one material: one stage, every bag, site random, pile nested in site.

Model
-----
For bag i of pile p at site s on day t, with y the fraction of the start mass that remains:

    y = f + ε,  f = exp(−k·max(0, t − L)),  log k = μ + u_s + d_sp [+ e_spi],  Var ε = a + b f²
    u ~ N(0, τ_s²),  d ~ N(0, τ_p²),  e ~ N(0, τ_b²) only where bags are looked at again

A bag at or below its detection limit contributes Φ((LOD − f)/√Var), a lost bag nothing. Value and
derivatives: `likelihood`; integration over u, d, e and the flat μ: `laplace`; the lag: `profile`,
`lag`. τ² is estimated with μ integrated (REML-like), so that the mean with t on S − 1 degrees of
freedom covers as it says at few sites.

Standard error of μ: at fixed variances, from the sites' own deviations (Hartung-Knapp); plus what
the variances' own uncertainty moves μ; plus what the lag's profile interval moves it.
"""

import numpy as np

from registry.science.one_stage import outcomes
from registry.science.one_stage.cells import Looks, check_looks, collapse
from registry.science.one_stage.lag import highest, interval, lag_estimate, mean_per_day_of_lag
from registry.science.one_stage.laplace import Mode, ModeNotFound, Theta, evaluate, variance_of_mean
from registry.science.one_stage.likelihood import CellLikelihood
from registry.science.one_stage.profile import (
    HALF_CHI2_95,
    LEAST_A,
    LagProfile,
    Layout,
    ProfilePoint,
    evaluation_of,
)
from registry.science.one_stage.records import OneStageFit, OneStageOutcome
from registry.science.one_stage.site_rates import site_rates
from registry.science.one_stage.start import Start, first_guess
from registry.science.types import BoolArray, FitDidNotConverge, FloatArray, IntArray, Warning_

# Four degrees of freedom resist a few wild bags and lose little on clean ones (Lange, Little &
# Taylor 1989, JASA 84, 881-896, use 4 where the data cannot choose).
STUDENT_NU = 4.0
# A standard deviation of a log rate below this moves no rate by more than 1 %.
TAU_IS_ZERO = 0.01
# Two standard errors either side are then a factor of 50: nothing has been measured.
LARGEST_SE = 2.0
# Added to a mean log rate: twenty times faster.
MUCH_FASTER = 3.0
# A standard deviation of zero is a stationary point; a start lies beside it.
LEAST_START = 1e-3
# Share of the longest lag to try first beside a lag known to be near.
LEAST_LAG_STEP = 1e-3
# Standard deviations to start from when the first try failed, times the coarse ones.
WIDER = 2.5


def fit_one_stage(
    site: IntArray,
    pile: IntArray,
    day: FloatArray,
    remaining: FloatArray,
    censored: BoolArray,
    detection_limit: FloatArray | float,
    bag: IntArray | None = None,
    measurement_sd: FloatArray | None = None,
    residual: str = "normal",
    cut: FloatArray | float = np.inf,
) -> OneStageFit:
    """Fit one material.

    Parameters
    ----------
    site, pile : (n,) codes; a pile code belongs to one site.
    day : (n,) days since burial.
    remaining : (n,) fraction of start mass, nan where lost; unweighable values and uncorrected ones
        above 105 % are the caller's to leave out.
    censored : (n,) true where nothing was left: at or below the detection limit.
    detection_limit : (n,) or one fraction of start mass.
    bag : (n,) codes; give them where a bag may be looked at more than once.
    measurement_sd : (n,) known extra standard deviation of `remaining` (ash correction).
    residual : "normal", or "student" for the sensitivity with STUDENT_NU degrees of freedom.
    cut : (n,) or one value above which a weighed bag would have been left out.

    Returns
    -------
    A record whose `outcome` says how far the looks reach. Where the likelihood has no clear maximum
    that is `NO_OPTIMUM`, without numbers; it never raises for that.

    Raises
    ------
    ScienceError : the arrays contradict each other.
    """
    looks = check_looks(
        site, pile, day, remaining, censored, detection_limit, bag, measurement_sd, cut
    )
    return fit_looks(looks, residual)


def fit_looks(
    looks: Looks, residual: str = "normal", near: OneStageFit | None = None
) -> OneStageFit:
    """`fit_one_stage` on looks already checked; `near` is a fit of much the same looks to start
    from, which saves the search and nothing else."""
    early = outcomes.without_a_fit(looks, residual)
    if early is not None:
        return early
    problem = OneStageProblem(looks, residual)
    fitted = _first_that_converges(problem, near)
    if fitted is None:
        return outcomes.no_optimum(looks, residual)
    if fitted.se is None or fitted.se > LARGEST_SE:
        return outcomes.too_uncertain(looks, residual, fitted)
    if problem.suits_faster_rates(fitted):
        if problem.left_at_the_last_look(fitted) > outcomes.NOT_SOON_GONE:
            return outcomes.too_uncertain(looks, residual, fitted)
        return outcomes.unbounded_above(looks, residual, fitted)
    return fitted


class OneStageProblem:
    """One material's cells, what is free in them, and the way from start to result."""

    def __init__(self, looks: Looks, residual: str) -> None:
        self.looks = looks
        self.residual = residual
        self.nu = None if residual == "normal" else STUDENT_NU
        self.cells = collapse(looks, by_look=self.nu is not None)
        self.layout = Layout(outcomes.free_levels(looks))
        self.upper, self.lag_note = outcomes.longest_lag(looks)
        self.look_days = np.unique(looks.day)

    def solve_without_lag(self) -> OneStageFit:
        """The same with the lag held at zero."""
        self.upper, self.lag_note = 0.0, outcomes.LAG_UNSTEADY
        return self.solve(widen=WIDER)

    def solve(self, widen: float = 1.0) -> OneStageFit:
        """From a coarse start, its standard deviations times `widen`, to the whole record."""
        pile_of_leaf = self.cells.nest.parents[0] if self.looks.repeated else None
        if pile_of_leaf is None:
            pile_of_leaf = np.arange(self.looks.n_piles)
        start = first_guess(self.cells, pile_of_leaf, self.looks.pile_site, self.upper)
        profile = self.profile(start, start.log_rate[pile_of_leaf], widen)
        best, ends, note = self._lag(profile, start.lag)
        return self._record(profile, best, ends, note)

    def solve_near(self, fit: OneStageFit) -> OneStageFit:
        """From the optimum of much the same looks, with the same variances free."""
        assert fit.lag is not None
        likelihood = CellLikelihood(self.cells, self.nu)
        psi = np.maximum(psi_of(fit, self.layout), LEAST_START)
        profile = LagProfile(likelihood, self.layout, psi, self.leaf_rates(fit))
        step = max(fit.lag.standard_error or 0.0, LEAST_LAG_STEP * self.upper)
        best, ends, note = self._lag(profile, fit.lag.days, step)
        return self._record(profile, best, ends, note)

    def leaf_rates(self, fit: OneStageFit) -> FloatArray:
        """(n_leaves,) each site's shrunken log rate; the mean for a site the fit did not see."""
        known = {site.site: site.shrunken for site in fit.sites}
        rates = [known.get(int(code), fit.mu) for code in self.looks.site_codes]
        return np.array(rates, float)[self.cells.nest.top_of_leaf()]

    def profile(self, start: Start, eta: FloatArray, widen: float) -> LagProfile:
        """The profile standing at the start."""
        psi = widen * self.layout.from_start(start)
        return LagProfile(CellLikelihood(self.cells, self.nu), self.layout, psi, eta)

    def _lag(
        self, profile: LagProfile, start: float, step: float | None = None
    ) -> tuple[ProfilePoint, tuple[ProfilePoint, ProfilePoint] | None, Warning_ | None]:
        """Best point, ends of the lag's interval (None: not identified) and why."""
        if self.upper <= 0.0:
            return profile.at(0.0), None, self.lag_note
        best = highest(profile, start, self.upper, self.look_days, step)
        if outcomes.first_look_is_late(self.look_days, best.lag):
            return profile.at(0.0), None, outcomes.LAG_LATE
        ends = interval(profile, best, self.upper)
        # A higher point met on the way out (a second hill) becomes the new start.
        top = max(profile.points.values(), key=lambda p: p.criterion)
        if top.criterion > best.criterion + 1e-6:
            best = highest(profile, top.lag, self.upper, self.look_days)
            ends = interval(profile, best, self.upper)
        if _spans_everything(best, ends, self.upper):
            return profile.at(0.0), None, outcomes.LAG_FLAT
        return best, ends, None

    def _record(
        self,
        profile: LagProfile,
        best: ProfilePoint,
        ends: tuple[ProfilePoint, ProfilePoint] | None,
        note: Warning_ | None,
    ) -> OneStageFit:
        evaluation = evaluation_of(best.maximum.value)
        theta = self.layout.theta(best.maximum.at, best.lag)
        information, mean_slope = profile.information_and_mean_slope(best)
        fixed_lag = variance_of_mean(evaluation.mode) + _moved(information, mean_slope)
        lag = lag_estimate(best, ends, self.look_days)
        by_lag = mean_per_day_of_lag(ends)
        lag_se = lag.standard_error or 0.0
        tau2 = self.named_tau2(theta.tau2)
        boundary = any(t is not None and t < TAU_IS_ZERO**2 for t in tau2.values())
        return OneStageFit(
            outcome=OneStageOutcome.ESTIMATED,
            residual=self.residual,
            counts=outcomes.counts(self.looks),
            mu=best.mean,
            se=float(np.sqrt(fixed_lag + (by_lag * lag_se) ** 2)),
            tau2_site=tau2["tau2_site"],
            tau2_pile=tau2["tau2_pile"],
            tau2_bag=tau2["tau2_bag"],
            lag=lag,
            mu_lag_covariance=by_lag * lag_se**2,
            a=float(theta.a),
            b=float(theta.b),
            sites=site_rates(self.looks, self.cells, self.nu, theta, evaluation.mode),
            criterion=best.criterion,
            loglik=self._loglik(theta, best.mean, evaluation.mode),
            converged=True,
            at_boundary=boundary,
            n_evaluations=profile.n_evaluations,
            notes=outcomes.notes(self.looks, tau2, lag, note),
        )

    def named_tau2(self, tau2: FloatArray) -> dict[str, float | None]:
        names = ("tau2_bag", "tau2_pile", "tau2_site")[-len(tau2) :]
        named: dict[str, float | None] = {"tau2_bag": None}
        for name, value, free in zip(names, tau2, self.layout.free, strict=True):
            named[name] = float(value) if free else None
        return named

    def suits_faster_rates(self, fitted: OneStageFit) -> bool:
        """Whether a mean rate MUCH_FASTER fits as well, at the fitted lag or the longest one."""
        assert fitted.mu is not None
        assert fitted.loglik is not None
        assert fitted.lag is not None
        theta = self.layout.theta(psi_of(fitted, self.layout), fitted.lag.days)
        faster = fitted.mu + MUCH_FASTER
        start = np.full(self.cells.n_leaves, faster)
        for lag in (fitted.lag.days, self.upper):
            at = Theta(lag, theta.a, theta.b, theta.tau2, faster)
            try:
                found = evaluate(CellLikelihood(self.cells, self.nu), at, start)
            except ModeNotFound:
                continue
            if found.criterion > fitted.loglik - HALF_CHI2_95:
                return True
        return False

    def left_at_the_last_look(self, fitted: OneStageFit) -> float:
        """Fraction that the typical pile still has then."""
        assert fitted.mu is not None
        assert fitted.lag is not None
        elapsed = max(float(self.look_days[-1]) - fitted.lag.days, 0.0)
        return float(np.exp(-np.exp(fitted.mu) * elapsed))

    def _loglik(self, theta: Theta, mean: float, mode: Mode) -> float:
        at_mean = Theta(theta.lag, theta.a, theta.b, theta.tau2, mean)
        return evaluate(CellLikelihood(self.cells, self.nu), at_mean, mode).criterion


def psi_of(fit: OneStageFit, layout: Layout) -> FloatArray:
    """A finished fit's parameters as the profile's ψ."""
    assert fit.a is not None
    assert fit.b is not None
    named = (fit.tau2_bag, fit.tau2_pile, fit.tau2_site)[-len(layout.free) :]
    tau2 = [t for t, free in zip(named, layout.free, strict=True) if free]
    return np.sqrt([max(fit.a - LEAST_A, 0.0), fit.b, *(t or 0.0 for t in tau2)])


def _first_that_converges(problem: OneStageProblem, near: OneStageFit | None) -> OneStageFit | None:
    """The model as it is; from a wider start; with the lag held at zero, which is then said."""
    attempts = [problem.solve, lambda: problem.solve(widen=WIDER), problem.solve_without_lag]
    if near is not None and near.outcome is OneStageOutcome.ESTIMATED:
        attempts.insert(0, lambda: problem.solve_near(near))
    for attempt in attempts:
        try:
            return attempt()
        except FitDidNotConverge:
            continue
    return None


def _moved(information: FloatArray, mean_slope: FloatArray) -> float:
    """Variance that the variances' uncertainty adds to μ̂, along directions with clear curvature."""
    values, vectors = np.linalg.eigh(information)
    along = vectors.T @ mean_slope
    clear = values > 1e-8 * max(float(values.max()), 1e-300)
    return float(np.sum(along[clear] ** 2 / values[clear]))


def _spans_everything(
    best: ProfilePoint, ends: tuple[ProfilePoint, ProfilePoint], upper: float
) -> bool:
    cut = best.criterion - 1.5
    return (
        ends[0].lag == 0.0
        and ends[1].lag == upper
        and ends[0].criterion > cut
        and ends[1].criterion > cut
    )
