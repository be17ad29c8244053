"""A pooled result in numbers and words: rows of tables, heterogeneity, the model, the counts."""

import math
from dataclasses import dataclass

from django.utils.translation import gettext as _

from frontend.presenters import numbers
from frontend.presenters.vocabulary import (
    LOOK_OUTCOMES,
    LOSSES,
    MODELS,
    OUTCOMES,
    UNITS,
    word,
)
from registry.models import PooledEstimate
from registry.queries.pooled_results import MaterialOverview, PooledResult

DIGITS = 3


@dataclass(frozen=True, slots=True)
class SiteRow:
    site: str
    estimate: str
    interval: str
    shrunken: str
    weight: str
    n_piles: int
    n_bags: int
    note: str


@dataclass(frozen=True, slots=True)
class PooledRow:
    """The last two lines of a forest table: the mean, and where a new pile would fall."""

    estimate: str
    interval: str
    new_pile: str
    level: int
    n_piles: int
    n_bags: int


@dataclass(frozen=True, slots=True)
class LeftOutRow:
    site: str
    estimate: str
    interval: str
    tau: str
    change: str


@dataclass(frozen=True, slots=True)
class EstimateRow:
    """One estimate beside the others: what, by which model, in which heat."""

    outcome: str
    model: str
    heat_class: str
    estimate: str
    interval: str
    new_pile: str
    unit: str
    tau: str


@dataclass(frozen=True, slots=True)
class ComparisonRow:
    """This material less another on the same day, in percentage points."""

    other: str
    family: str
    difference: str
    interval: str
    p: str
    adjustment: str


@dataclass(frozen=True, slots=True)
class OverviewRow:
    code: str
    name: str
    rate: str
    rate_interval: str
    days: str
    days_interval: str
    new_pile: str
    spread: str
    on_day: str
    letters: str
    n_sites: int
    n_bags: int
    n_warnings: int


def unit_of(estimate: PooledEstimate) -> str:
    return word(UNITS, estimate.unit)


def overview_row(item: MaterialOverview) -> OverviewRow:
    rate, days, on_day = item.rate, item.days_to_90, item.on_day
    shown = rate or days or on_day
    return OverviewRow(
        code=item.material.code,
        name=item.material.name,
        rate=numbers.significant(rate.estimate, DIGITS) if rate else numbers.NONE,
        rate_interval=numbers.interval(rate.ci_low, rate.ci_high) if rate else numbers.NONE,
        days=numbers.significant(days.estimate, DIGITS) if days else numbers.NONE,
        days_interval=numbers.interval(days.ci_low, days.ci_high) if days else numbers.NONE,
        new_pile=numbers.interval(days.pi_low, days.pi_high) if days else numbers.NONE,
        spread=_tau(rate.tau2_site) if rate else numbers.NONE,
        on_day=_lost(on_day),
        letters=on_day.letters if on_day else "",
        n_sites=shown.n_sites if shown else 0,
        n_bags=shown.n_bags if shown else 0,
        n_warnings=item.n_warnings,
    )


def site_rows(estimate: PooledEstimate) -> list[SiteRow]:
    return [
        SiteRow(
            site=part.site.name,
            estimate=numbers.significant(part.estimate, DIGITS),
            interval=numbers.interval(part.ci_low, part.ci_high),
            shrunken=numbers.significant(part.shrunken_estimate, DIGITS),
            weight=numbers.NONE if part.weight_pct is None else f"{part.weight_pct:.1f} %",
            n_piles=part.n_piles,
            n_bags=part.n_bags,
            note=part.note or (_("no rate of its own") if part.estimate is None else ""),
        )
        for part in estimate.sites.all()
    ]


def pooled_row(estimate: PooledEstimate) -> PooledRow:
    return PooledRow(
        estimate=numbers.significant(estimate.estimate, DIGITS),
        interval=numbers.interval(estimate.ci_low, estimate.ci_high),
        new_pile=numbers.interval(estimate.pi_low, estimate.pi_high),
        level=round(100 * estimate.level),
        n_piles=estimate.n_piles,
        n_bags=estimate.n_bags,
    )


def left_out_rows(estimate: PooledEstimate) -> list[LeftOutRow]:
    return [
        LeftOutRow(
            site=part.site.name,
            estimate=numbers.significant(part.estimate, DIGITS),
            interval=numbers.interval(part.ci_low, part.ci_high),
            tau=_tau(part.tau2_site),
            change=_change(part.estimate, estimate.estimate),
        )
        for part in estimate.left_out.all()
    ]


def estimate_rows(result: PooledResult) -> list[EstimateRow]:
    return [
        EstimateRow(
            outcome=_outcome_words(found),
            model=word(MODELS, found.model),
            heat_class=found.heat_class,
            estimate=numbers.significant(found.estimate, DIGITS),
            interval=numbers.interval(found.ci_low, found.ci_high),
            new_pile=numbers.interval(found.pi_low, found.pi_high),
            unit=unit_of(found),
            tau=_tau(found.tau2_site),
        )
        for found in result.estimates
    ]


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


def heterogeneity(estimate: PooledEstimate) -> list[str]:
    """How much sites differ, in words a grower could follow and numbers a statistician checks."""
    if estimate.tau2_site is None:
        return [_("The difference between sites cannot be estimated from these looks.")]
    sentences = [_between_sites(estimate.tau2_site)]
    if estimate.tau2_pile is not None:
        sentences.append(
            _("Between piles of one site: τ = %(tau)s on the log scale.")
            % {"tau": _tau(estimate.tau2_pile)}
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
        "tau": _tau(tau2),
        "low": numbers.significant(math.exp(-tau)),
        "high": numbers.significant(math.exp(tau)),
    }


def count_rows(result: PooledResult) -> list[tuple[str, int]]:
    """Looks by what was found, then what the fit used and left out."""
    estimate = result.primary
    found = [(word(LOOK_OUTCOMES, code), n) for code, n in result.outcomes.items()]
    return [
        *found,
        (_("Bags in the fit"), estimate.n_bags),
        (_("Piles in the fit"), estimate.n_piles),
        (_("Sites in the fit"), estimate.n_sites),
        (_("Left out of the fit"), estimate.n_excluded),
    ]


def loss_rows(estimate: PooledEstimate) -> list[tuple[str, str, str]]:
    return [
        (
            word(LOSSES, part.assumption),
            numbers.significant(part.estimate, DIGITS),
            numbers.interval(part.ci_low, part.ci_high),
        )
        for part in estimate.loss_sensitivity.all()
    ]


def comparison_rows(result: PooledResult) -> list[ComparisonRow]:
    """The reference first, then all pairs, each family with its own adjustment."""
    compared = [part for found in result.estimates for part in found.compared.all()]
    return [
        ComparisonRow(
            other=part.other.name,
            family=_("with the reference") if part.against_reference else _("all pairs"),
            difference=signed(part.difference),
            interval=_("%(low)s to %(high)s")
            % {"low": signed(part.ci_low), "high": signed(part.ci_high)},
            p="< 0.001" if part.p_adjusted < 0.001 else f"{part.p_adjusted:.3f}",
            adjustment=part.adjustment,
        )
        for part in sorted(compared, key=lambda p: (not p.against_reference, p.other.name))
    ]


def signed(value: float) -> str:
    """One decimal with a sign, a true minus."""
    return f"{value:+.1f}".replace("-", "−")


def chance_rows(estimate: PooledEstimate) -> list[tuple[int, str]]:
    return [(part.days, numbers.percent(part.probability)) for part in estimate.chance_90_by.all()]


def warnings_of(result: PooledResult) -> list[str]:
    """Every warning once, those of the primary answer first."""
    leading = [result.primary, *(e for e in result.estimates if e.pk != result.primary.pk)]
    messages = (w.message for estimate in leading for w in estimate.warnings.all())
    return list(dict.fromkeys(messages))


def _outcome_words(estimate: PooledEstimate) -> str:
    words = word(OUTCOMES, estimate.outcome)
    return (
        words
        if estimate.day is None
        else _("%(what)s, day %(day)d")
        % {
            "what": words,
            "day": estimate.day,
        }
    )


def _lost(estimate: PooledEstimate | None) -> str:
    if estimate is None or estimate.estimate is None:
        return numbers.NONE
    return _("%(lost).1f by day %(day)d") % {"lost": estimate.estimate, "day": estimate.day or 0}


def _tau(tau2: float | None) -> str:
    return numbers.NONE if tau2 is None else numbers.significant(math.sqrt(tau2))


def _change(without: float | None, whole: float | None) -> str:
    if without is None or not whole:
        return numbers.NONE
    return f"{100 * (without / whole - 1):+.1f} %".replace("-", "−")


def _p_value(p: float | None) -> str:
    if p is None:
        return numbers.NONE
    return "< 0.001" if p < 0.001 else f"= {p:.3f}"
