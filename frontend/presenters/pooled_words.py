"""A pooled result in sentences: the mean, how much sites differ, and what to know first."""

import math

from django.utils.translation import gettext as _

from frontend.presenters import numbers
from frontend.presenters.vocabulary import HEATS, MODELS, word
from registry.models import PooledEstimate
from registry.queries.pooled_results import PooledResult, primary_of
from registry.science.pooling import HEAT_CLASSES, MIN_SITES_PER_HEAT_CLASS

DIGITS = 3


def headline(result: PooledResult) -> str:
    """The pooled mean in one sentence, with its interval."""
    days, rate = result.days_to_90, result.primary
    if days is not None and days.estimate is not None:
        return _(
            "In the average pile 90 %% is gone after %(days)s days (%(level)d %% interval "
            "%(interval)s)."
        ) % {
            "days": numbers.significant(days.estimate),
            "level": round(100 * days.level),
            "interval": numbers.interval(days.ci_low, days.ci_high),
        }
    if rate.estimate is not None:
        return _(
            "The pooled decay rate is %(rate)s per day (%(level)d %% interval %(interval)s)."
        ) % {
            "rate": numbers.significant(rate.estimate, DIGITS),
            "level": round(100 * rate.level),
            "interval": numbers.interval(rate.ci_low, rate.ci_high),
        }
    if rate.ci_low is not None:
        return _("Too fast to measure here: at least %(rate)s per day.") % {
            "rate": numbers.significant(rate.ci_low, DIGITS)
        }
    return _("These looks give no pooled rate; the warnings say why.")


def by_heat(result: PooledResult) -> list[str]:
    """Each class of heat: its own answer, or why it has none."""
    return [_of_class(result, name) for name in HEAT_CLASSES]


def _of_class(result: PooledResult, name: str) -> str:
    mine = [found for found in result.estimates if found.heat_class == name]
    days, rate = primary_of(mine, "days_to_90"), primary_of(mine, "decay_rate")
    shown = days or rate
    about = {"heat": word(HEATS, name)}
    if shown is None:
        return _(
            "%(heat)s: no answer of their own. It takes %(n)d sites with such piles and complete "
            "temperature logs."
        ) % {**about, "n": MIN_SITES_PER_HEAT_CLASS}
    about["sites"] = numbers.counted_sites(shown.n_sites)
    if days is None or days.estimate is None:
        return _("%(heat)s (%(sites)s): no pooled time; the warnings say why.") % about
    return _(
        "%(heat)s (%(sites)s): 90 %% is gone after %(days)s days in the average pile (%(level)d %% "
        "interval %(interval)s)."
    ) % {
        **about,
        "days": numbers.significant(days.estimate),
        "level": round(100 * days.level),
        "interval": numbers.interval(days.ci_low, days.ci_high),
    }


def heterogeneity(estimate: PooledEstimate) -> list[str]:
    """How much sites differ, in words a grower could follow and numbers a statistician checks."""
    if estimate.tau2_site is None:
        return [_("The difference between sites cannot be estimated from these looks.")]
    sentences = [_between_sites(estimate.tau2_site)]
    if estimate.tau2_pile is not None:
        sentences.append(
            _("Between piles of one site: τ = %(tau)s on the log scale.")
            % {"tau": numbers.root(estimate.tau2_pile)}
        )
    if estimate.i2_pct is not None:
        sentences.append(
            _("I² = %(i2)d %%: so much of the spread seen between sites is more than chance.")
            % {"i2": round(estimate.i2_pct)}
        )
    if estimate.q is not None and estimate.q_df is not None:
        sentences.append(
            _("Q = %(q)s on %(df)d degrees of freedom (p %(p)s).")
            % {
                "q": numbers.significant(estimate.q, DIGITS),
                "df": estimate.q_df,
                "p": _p_value(estimate.q_p),
            }
        )
    return sentences


def _between_sites(tau2: float) -> str:
    if tau2 == 0:
        return _(
            "Between sites: τ = 0. The sites differ no more than chance allows; with few sites "
            "that is weak evidence that they are alike."
        )
    tau = math.sqrt(tau2)
    return _(
        "Between sites: τ = %(tau)s on the log scale. At two of three sites the rate lies between "
        "%(low)s and %(high)s times the typical one."
    ) % {
        "tau": numbers.root(tau2),
        "low": numbers.significant(math.exp(-tau)),
        "high": numbers.significant(math.exp(tau)),
    }


def warnings_of(result: PooledResult) -> list[str]:
    """Warnings of the leading answer, each once."""
    leading = [result.primary] + ([result.days_to_90] if result.days_to_90 else [])
    return list(dict.fromkeys(w.message for found in leading for w in found.warnings.all()))


def other_warnings(result: PooledResult) -> list[tuple[str, str]]:
    """Warnings of the other estimates that the leading answer does not share: about what, and what.

    Estimates of the same thing say the same things, so each warning stands once per thing.
    """
    told = set(warnings_of(result))
    found = {
        (_about(estimate), warning.message): None
        for estimate in result.estimates
        for warning in estimate.warnings.all()
        if warning.message not in told
    }
    return list(found)


def _about(estimate: PooledEstimate) -> str:
    return f"{word(MODELS, estimate.model)}, {word(HEATS, estimate.heat_class).lower()}"


def _p_value(p: float | None) -> str:
    if p is None:
        return numbers.NONE
    return "< 0.001" if p < 0.001 else f"= {p:.3f}"


def two_models(result: PooledResult) -> str:
    """How far the two-stage summary lies from the one-stage answer, blank without both."""
    rates = {
        found.model: found
        for found in result.estimates
        if found.outcome == "decay_rate" and found.heat_class == "all"
    }
    one, two = rates.get("one_stage"), rates.get("two_stage")
    if one is None or two is None or one.log_estimate is None or two.log_estimate is None:
        return ""
    apart = abs(one.log_estimate - two.log_estimate)
    told = {
        "one": numbers.significant(one.estimate, DIGITS),
        "two": numbers.significant(two.estimate, DIGITS),
        "errors": numbers.significant(apart / one.log_standard_error, 2)
        if one.log_standard_error
        else numbers.NONE,
    }
    return (
        _(
            "All bags at once (one stage): %(one)s per day. A rate per pile, then pooled (two "
            "stages): %(two)s per day. They lie %(errors)s standard errors apart."
        )
        % told
    )


def letters(result: PooledResult) -> str:
    """The letters of this material on the main day, and what they say; blank without any."""
    told = [found for found in result.estimates if found.letters and found.heat_class == "all"]
    if not told:
        return ""
    return _(
        "Letters on day %(day)d: %(letters)s. Materials that share a letter do not differ clearly."
    ) % {"day": told[0].day or 0, "letters": told[0].letters}
