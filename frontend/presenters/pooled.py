"""A pooled result in numbers and words: rows of tables, heterogeneity, the model, the counts."""

from dataclasses import dataclass

from django.utils.translation import gettext as _

from frontend.presenters import numbers
from frontend.presenters.vocabulary import (
    ADJUSTMENTS,
    HEATS,
    LOOK_OUTCOMES,
    LOSSES,
    MODELS,
    OUTCOMES,
    UNITS,
    word,
)
from registry.models import Comparison, PooledEstimate
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
    """Estimates with their interval in brackets; `lost` is in percent on the main day."""

    code: str
    name: str
    days: str
    new_pile: str
    rate: str
    spread: str
    lost: str
    letters: str
    n_sites: int
    n_warnings: int


def unit_of(estimate: PooledEstimate) -> str:
    return word(UNITS, estimate.unit)


def overview_row(item: MaterialOverview) -> OverviewRow:
    rate, days, on_day = item.rate, item.days_to_90, item.on_day
    shown = rate or days or on_day
    return OverviewRow(
        code=item.material.code,
        name=item.material.name,
        days=_with_interval(days),
        new_pile=_between(days.pi_low, days.pi_high) if days else numbers.NONE,
        rate=_with_interval(rate),
        spread=numbers.root(rate.tau2_site) if rate else numbers.NONE,
        lost=_with_interval(on_day),
        letters=on_day.letters if on_day else "",
        n_sites=shown.n_sites if shown else 0,
        n_warnings=item.n_warnings,
    )


def _with_interval(found: PooledEstimate | None) -> str:
    """ "34.2 (30.9 to 38.1)", or the bound alone where there is no estimate."""
    if found is None:
        return numbers.NONE
    interval = _between(found.ci_low, found.ci_high)
    if found.estimate is None:
        return interval
    return f"{numbers.significant(found.estimate, DIGITS)} ({interval})"


def _between(low: float | None, high: float | None) -> str:
    return numbers.interval(low, high, DIGITS)


def site_rows(estimate: PooledEstimate) -> list[SiteRow]:
    return [
        SiteRow(
            site=part.site.name,
            estimate=numbers.significant(part.estimate, DIGITS),
            interval=_between(part.ci_low, part.ci_high),
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
        interval=_between(estimate.ci_low, estimate.ci_high),
        new_pile=_between(estimate.pi_low, estimate.pi_high),
        level=round(100 * estimate.level),
        n_piles=estimate.n_piles,
        n_bags=estimate.n_bags,
    )


def left_out_rows(estimate: PooledEstimate) -> list[LeftOutRow]:
    return [
        LeftOutRow(
            site=part.site.name,
            estimate=numbers.significant(part.estimate, DIGITS),
            interval=_between(part.ci_low, part.ci_high),
            tau=numbers.root(part.tau2_site),
            change=_change(part.estimate, estimate.estimate),
        )
        for part in estimate.left_out.all()
    ]


def estimate_rows(result: PooledResult) -> list[EstimateRow]:
    return [
        EstimateRow(
            outcome=outcome_words(found),
            model=word(MODELS, found.model),
            heat_class=word(HEATS, found.heat_class),
            estimate=numbers.significant(found.estimate, DIGITS),
            interval=_between(found.ci_low, found.ci_high),
            new_pile=_between(found.pi_low, found.pi_high),
            unit=unit_of(found),
            tau=numbers.root(found.tau2_site),
        )
        for found in result.estimates
    ]


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
            _between(part.ci_low, part.ci_high),
        )
        for part in estimate.loss_sensitivity.all()
    ]


def comparison_rows(result: PooledResult) -> list[ComparisonRow]:
    """Its own formulation, the reference, then all pairs, each family with its own adjustment."""
    compared = [part for found in result.estimates for part in found.compared.all()]
    return [
        ComparisonRow(
            other=part.other.name,
            family=_family(part),
            difference=signed(part.difference),
            interval=_("%(low)s to %(high)s")
            % {"low": signed(part.ci_low), "high": signed(part.ci_high)},
            p="< 0.001" if part.p_adjusted < 0.001 else f"{part.p_adjusted:.3f}",
            adjustment=word(ADJUSTMENTS, part.adjustment),
        )
        for part in sorted(
            compared,
            key=lambda p: (not p.within_formulation, not p.against_reference, p.other.name),
        )
    ]


def _order(part: Comparison) -> tuple[bool, bool, str]:
    return (not part.within_formulation, not part.against_reference, part.other.name)


def _family(part: Comparison) -> str:
    if part.within_formulation:
        return _("within the formulation")
    return _("with the reference") if part.against_reference else _("all pairs")


def signed(value: float) -> str:
    """One decimal with a sign, a true minus."""
    return f"{value:+.1f}".replace("-", "−")


def chance_rows(estimate: PooledEstimate) -> list[tuple[int, str]]:
    return [(part.days, numbers.percent(part.probability)) for part in estimate.chance_90_by.all()]


def outcome_words(estimate: PooledEstimate) -> str:
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


def _change(without: float | None, whole: float | None) -> str:
    if without is None or not whole:
        return numbers.NONE
    return f"{100 * (without / whole - 1):+.1f} %".replace("-", "−")
