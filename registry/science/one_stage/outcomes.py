"""What the looks at one material can and cannot tell, said before and after the fit."""

import numpy as np
from scipy.optimize import minimize
from scipy.stats import t as student_t

from registry.science.one_stage.cells import Looks
from registry.science.one_stage.last_losses import last_losses
from registry.science.one_stage.profile import HALF_CHI2_95, LEAST_A
from registry.science.one_stage.records import Counts, LagEstimate, OneStageFit, OneStageOutcome
from registry.science.one_stage.residuals import tobit_log_likelihood
from registry.science.types import BoolArray, FloatArray, Warning_

# A bag within 3 % of its start mass counts as whole: the gate for polyethylene in each pile.
WHOLE_WITHIN = 0.03
# A loss smaller than three standard errors of weighing is not told from none.
CLEAR_Z = 3.0
# One pile that lost this much shows that the material breaks down somewhere.
CLEAR_PILE_LOSS = 0.15
# With half the bags above this at the first looks nobody needs a test that something was left.
SURELY_THERE = 0.2
# Weighed looks beyond one per pile that are needed to say how much bags of one pile differ.
LEAST_FREEDOM = 3
# A day by which the median bag has lost a fifth lies after the lag, whatever the noise of weighing.
BEGUN = 0.2
# A lag that ends on the very day of a look takes that look's word away; this is close enough.
JUST_BEFORE = 1.0 - 1e-3
# Lags of compost items are days to a few weeks; with a first look later than this and loss already
# seen, a straight line back to "all there" says more about the curve's form than about a lag.
LATE_FIRST_LOOK_DAYS = 60.0

# A material of which the fit leaves this much at the last look is not one that was soon gone.
NOT_SOON_GONE = 0.5

LAG_LATE = Warning_(
    "lag_not_identified",
    "The first look came late and found loss already, so no lag can be told; it is set to 0.",
)
LAG_FLAT = Warning_(
    "lag_not_identified",
    "Every lag up to the last looks fits about as well, so no lag can be told; it is set to 0.",
)
LAG_FEW_DAYS = Warning_(
    "lag_not_identified",
    "Most piles were looked at on fewer than two days, so no lag can be told; it is set to 0.",
)
LAG_UNSTEADY = Warning_(
    "lag_not_identified", "No lag could be fitted steadily to these looks; it is set to 0."
)
LAG_EXTRAPOLATED = Warning_(
    "lag_not_seen",
    "No look fell before the first loss: the lag rests on the shape of the curve. What the looks "
    "support is rate × lag.",
)
ONE_SITE = Warning_(
    "one_site", "One site only: nothing is pooled, and other sites may differ by any amount."
)
TWO_SITES = Warning_(
    "two_sites", "Two sites say almost nothing about how much a third would differ."
)
FEW_SITES = Warning_("few_sites", "Three or four sites: the spread between sites is uncertain.")
ONE_PILE_EACH = Warning_(
    "piles_not_separable",
    "No site has two piles, so the spread between piles cannot be separated from that between "
    "sites; the between-site figure holds both.",
)
NO_SITE_SPREAD = Warning_(
    "no_site_spread", "Sites differ no more than their own piles and bags explain (τ² = 0)."
)
NO_PILE_SPREAD = Warning_(
    "no_pile_spread", "Piles of one site differ no more than their bags explain (τ² = 0)."
)


def counts(looks: Looks) -> Counts:
    """The counts every outcome carries."""
    n_censored = int(looks.censored.sum())
    return Counts(looks.n_sites, looks.n_piles, len(looks) - n_censored, n_censored)


def without_a_fit(looks: Looks, residual: str) -> OneStageFit | None:
    """The record of looks that no mean rate can be fitted to; None = go on and fit."""
    later = looks.day > 0
    if not later.any():
        note = Warning_("no_looks", "No bag was looked at after burial.")
        return _bound(looks, residual, OneStageOutcome.TOO_FEW_LOOKS, note)
    if looks.censored[later].all() or not first_looks_found_something(looks):
        return _all_gone(looks, residual)
    if not clear_loss(looks):
        return _nothing_lost(looks, residual)
    weighed = later & ~looks.censored
    if weighed.sum() - len(np.unique(looks.pile[weighed])) < LEAST_FREEDOM:
        note = Warning_(
            "too_few_looks",
            "Too few bags were weighed to tell how much bags of one pile differ from each other.",
        )
        return _bound(looks, residual, OneStageOutcome.TOO_FEW_LOOKS, note)
    return None


def first_looks_found_something(looks: Looks) -> bool:
    """Whether the mean residue at the piles' first looks stands out from none.

    A balance and some dirt give small positive weights when all is gone. Likelihood ratio of a
    censored normal with its mean free against mean zero (Tobin 1958, Econometrica 26, 24-36).
    """
    first = np.full(looks.n_piles, np.inf)
    rows = looks.day > 0
    np.minimum.at(first, looks.pile[rows], looks.day[rows])
    rows = rows & (looks.day == first[looks.pile])
    gone = looks.censored[rows]
    y = np.where(gone, looks.limit[rows], looks.remaining[rows])
    if np.median(y) > SURELY_THERE:
        return True

    def loglik(mean: float, log_sd: float) -> float:
        scale = float(np.sqrt(np.exp(2.0 * log_sd) + LEAST_A))
        return tobit_log_likelihood(y, np.full(len(y), mean), scale, gone)

    spread = float(np.log(max(np.std(y), 1e-3)))
    start = np.array([float(np.mean(y)), spread])
    free = minimize(lambda x: -loglik(x[0], x[1]), start, method="Nelder-Mead")
    none = minimize(lambda x: -loglik(0.0, x[0]), start[1:], method="Nelder-Mead")
    return bool(free.x[0] > 0.0 and none.fun - free.fun > HALF_CHI2_95)


def clear_loss(looks: Looks) -> bool:
    """Whether any loss by the last looks stands out from weighing noise."""
    found = last_losses(looks, WHOLE_WITHIN)
    loss, n, noise = found.loss, found.bags, found.noise
    mean = float(np.average(loss, weights=n))
    clear = mean > CLEAR_Z * noise / np.sqrt(n.sum())
    if np.any(looks.censored) or (mean >= 2.0 * WHOLE_WITHIN and (clear or not found.cut_matters)):
        return True
    if np.any((loss > CLEAR_PILE_LOSS) & (loss > CLEAR_Z * noise / np.sqrt(n))):
        return True
    return bool(mean > WHOLE_WITHIN and clear)


def _all_gone(looks: Looks, residual: str) -> OneStageFit:
    """A lower bound: the slowest pile that can be, gone just before its first look, no lag."""
    rows = looks.day > 0
    per_look = -np.log(looks.limit[rows]) / looks.day[rows]
    of_pile = np.zeros(looks.n_piles)
    np.maximum.at(of_pile, looks.pile[rows], per_look)
    low = float(of_pile[np.unique(looks.pile[rows])].min())
    note = Warning_(
        "all_gone_at_first_look",
        "All was gone before anybody looked: the rate has a lower bound and nothing more.",
    )
    return _bound(looks, residual, OneStageOutcome.ALL_GONE_AT_FIRST_LOOK, note, rate_low=low)


def _nothing_lost(looks: Looks, residual: str) -> OneStageFit:
    """An upper bound: one-sided 95 % limit of the mean loss over sites at the last looks."""
    found = last_losses(looks, WHOLE_WITHIN)
    loss, n, noise, reached = found.loss, found.bags, found.noise, found.pile
    last = np.zeros(looks.n_piles)
    np.maximum.at(last, looks.pile, looks.day)
    site = looks.pile_site[reached]
    weight = np.bincount(site, n)
    present = weight > 0
    of_site = np.bincount(site, n * loss)[present] / weight[present]
    s = len(of_site)
    spread = float(np.std(of_site, ddof=1)) if s > 1 else 0.0
    error = max(spread / np.sqrt(s), noise / np.sqrt(n.sum()))
    freedom = s - 1 if s > 1 else max(round(float(n.sum())) - 1, 1)
    most = float(np.mean(of_site)) + float(student_t.ppf(0.95, freedom)) * error
    high = -np.log1p(-min(max(most, 1e-6), 0.999)) / float(np.median(last[reached]))
    note = Warning_(
        "no_measurable_loss",
        "Nothing measurable was lost by the last look: the rate has an upper bound only.",
    )
    outcome = OneStageOutcome.NO_MEASURABLE_LOSS
    return _bound(looks, residual, outcome, note, rate_high=float(high))


def unbounded_above(looks: Looks, residual: str, fitted: OneStageFit) -> OneStageFit:
    """A fit that a rate twenty times faster would suit as well: only its lower end is told."""
    assert fitted.mu is not None
    assert fitted.se is not None
    t = float(student_t.ppf(0.95, max(looks.n_sites - 1, 1)))
    note = Warning_(
        "rate_unbounded_above",
        "What was left at the first looks cannot be told from nothing: the rate has a lower bound "
        "and nothing more.",
    )
    low = float(np.exp(fitted.mu - t * fitted.se))
    outcome = OneStageOutcome.ALL_GONE_AT_FIRST_LOOK
    return _bound(looks, residual, outcome, note, rate_low=low)


def no_optimum(looks: Looks, residual: str) -> OneStageFit:
    """No maximum was found from any start: no number may be used."""
    note = Warning_(
        "fit_did_not_converge",
        "No curve could be fitted steadily to these looks, so no rate is reported.",
    )
    return _bound(looks, residual, OneStageOutcome.NO_OPTIMUM, note)


def too_uncertain(looks: Looks, residual: str, fitted: OneStageFit) -> OneStageFit:
    """A fit whose mean could be anything within a factor of fifty: no number is reported."""
    note = Warning_(
        "rate_too_uncertain",
        "The looks leave the mean rate uncertain by more than a factor of fifty: none is reported.",
    )
    return _bound(looks, residual, OneStageOutcome.RATE_TOO_UNCERTAIN, note, *fitted.notes)


def _bound(
    looks: Looks,
    residual: str,
    outcome: OneStageOutcome,
    *notes: Warning_,
    rate_low: float | None = None,
    rate_high: float | None = None,
) -> OneStageFit:
    return OneStageFit(
        outcome, residual, counts(looks), rate_low=rate_low, rate_high=rate_high, notes=notes
    )


def free_levels(looks: Looks) -> BoolArray:
    """Which variances the design can separate, leaf first: [bag,] pile, site."""
    piles_at_site = np.bincount(looks.pile_site)
    pile, site = bool(piles_at_site.max() > 1), looks.n_sites > 1
    return np.array([True, pile, site] if looks.repeated else [pile, site])


def longest_lag(looks: Looks) -> tuple[float, Warning_ | None]:
    """Upper bound of the lag, days: half the piles must have two looks on or after it, and the
    median bag of an earlier day must not have begun to break down."""
    second_last = np.zeros(looks.n_piles)
    order = np.lexsort([looks.day, looks.pile])
    pile, day = looks.pile[order], looks.day[order]
    new = np.ones(len(day), bool)
    new[1:] = (pile[1:] != pile[:-1]) | (day[1:] != day[:-1])
    pile, day = pile[new], day[new]
    ends_pile = np.ones(len(day), bool)
    ends_pile[:-1] = pile[1:] != pile[:-1]
    before = np.flatnonzero(ends_pile) - 1
    several = (before >= 0) & (pile[before] == pile[ends_pile])
    second_last[pile[ends_pile][several]] = day[before[several]]
    upper = min(float(np.median(second_last)), _first_day_of_loss(looks))
    return upper, (LAG_FEW_DAYS if upper <= 0.0 else None)


def _first_day_of_loss(looks: Looks) -> float:
    """First day on which the median bag has lost BEGUN or more; infinite if none."""
    days, code = np.unique(looks.day, return_inverse=True)
    medians = [float(np.median(looks.remaining[code == c])) for c in range(len(days))]
    begun = days[(np.array(medians) < 1.0 - BEGUN) & (days > 0)]
    return float(begun[0]) * JUST_BEFORE if len(begun) else np.inf


def first_look_is_late(look_days: FloatArray, lag: float) -> bool:
    """Whether the first look came late and after the first loss."""
    first = float(look_days[look_days > 0].min())
    return first > LATE_FIRST_LOOK_DAYS and lag < first


def notes(
    looks: Looks, tau2: dict[str, float | None], lag: LagEstimate, lag_note: Warning_ | None
) -> tuple[Warning_, ...]:
    """Everything a reader must know beside the number, gravest first."""
    few = {1: ONE_SITE, 2: TWO_SITES, 3: FEW_SITES, 4: FEW_SITES}.get(looks.n_sites)
    said = [few, lag_note]
    if lag.identified and lag.days > 0.0 and not lag.seen:
        said.append(LAG_EXTRAPOLATED)
    if looks.n_sites > 1 and tau2["tau2_pile"] is None:
        said.append(ONE_PILE_EACH)
    for name, note in (("tau2_site", NO_SITE_SPREAD), ("tau2_pile", NO_PILE_SPREAD)):
        value = tau2[name]
        if value is not None and value < 1e-4:
            said.append(note)
    return tuple(note for note in said if note is not None)
