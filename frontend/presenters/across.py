"""A material or family over all released trials in words and rows; outside studies told apart."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters import numbers
from frontend.presenters.vocabulary import UNITS, word
from registry.charts.forest import ForestPooled, ForestSite
from registry.queries.across_trials import AcrossTrialsAnswer, EffectRow
from registry.science.across_trials import AcrossTrials
from registry.science.types import Warning_

DIGITS = 3
UNIT_CODES = {"decay_rate": "1/d", "days_to_90": "d"}


@dataclass(frozen=True, slots=True)
class SourceRow:
    """A material at one site of a release, or of a study run elsewhere."""

    trial: str
    version: int | None
    site: str
    material: str
    estimate: str
    interval: str
    n_piles: int | None
    n_bags: int | None


@dataclass(frozen=True, slots=True)
class PoolRow:
    name: str
    estimate: str
    interval: str
    new_site: str
    n_trials: int
    n_sites: int
    advice: str


@dataclass(frozen=True, slots=True)
class TrialRow:
    trial: str
    mean: str
    interval: str
    n_rows: int
    without_it: str


@dataclass(frozen=True, slots=True)
class AcrossPage:
    headline: str
    spread: str
    unit: str
    warnings: list[str]
    rows: list[SourceRow]
    pools: list[PoolRow]
    trials: list[TrialRow]
    sources: list[tuple[str, str]]
    several_materials: bool


def across_page(found: AcrossTrialsAnswer, outcome: str) -> AcrossPage:
    trials = found.pooled.trials if found.pooled else ()
    return AcrossPage(
        headline=_headline(found, outcome),
        spread=_spread(found.pooled) if found.pooled else "",
        unit=word(UNITS, UNIT_CODES[outcome]),
        warnings=[_warning(warning) for warning in found.warnings],
        rows=[_source_row(row) for row in found.rows],
        pools=_pools(found),
        trials=[
            TrialRow(
                mean.trial,
                _shown(mean.log_mean),
                _interval(mean.log_mean, mean.log_standard_error),
                mean.n_rows,
                numbers.NONE if mean.left_out_mu is None else _shown(mean.left_out_mu),
            )
            for mean in trials
        ],
        sources=list(dict.fromkeys((row.trial, row.source) for row in found.rows if row.external)),
        several_materials=len({row.material for row in found.rows}) > 1,
    )


def forest_rows(found: AcrossTrialsAnswer) -> tuple[ForestSite, ...]:
    """Every source with its own interval; those from elsewhere say so in their name."""
    several = len({row.material for row in found.rows}) > 1
    return tuple(
        ForestSite(
            label=_row_name(row, with_material=several),
            estimate=math.exp(row.log_estimate),
            low=math.exp(row.log_estimate - _half_width(math.sqrt(row.variance))),
            high=math.exp(row.log_estimate + _half_width(math.sqrt(row.variance))),
            shrunken=None,
            weight_pct=None,
        )
        for row in found.rows
    )


def forest_pooled(found: AcrossTrialsAnswer) -> ForestPooled:
    """The mean over released trials; no mark at all where a mean is not advised."""
    pooled = found.pooled if found.pooled and found.pooled.advised else None
    new = pooled.pi if pooled else None
    return ForestPooled(
        mean_label=_("Mean of released trials") if pooled else "",
        new_label=_("A new site in a new trial") if new else "",
        estimate=math.exp(pooled.mu) if pooled else None,
        low=math.exp(pooled.ci[0]) if pooled else None,
        high=math.exp(pooled.ci[1]) if pooled else None,
        new_low=math.exp(new[0]) if new else None,
        new_high=math.exp(new[1]) if new else None,
    )


def _headline(found: AcrossTrialsAnswer, outcome: str) -> str:
    if not found.rows:
        return _("No released trial holds an estimate of this yet. That says nothing against it.")
    if found.pooled is None:
        n = len({row.trial for row in found.rows if not row.external})
        if n == 0:
            return _("No trial of this registry has released an estimate of this.")
        return ngettext(
            "One trial has released an estimate, so there is nothing to pool over trials: read the "
            "trial itself.",
            "%(n)d trials have released an estimate, but they could not be pooled.",
            n,
        ) % {"n": n}
    if not found.pooled.advised:
        return _("The trials differ too much to pool. Read them side by side.")
    return _mean_sentence(found.pooled, outcome)


def _warning(warning: Warning_) -> str:
    if warning.code.startswith("with_outside_"):
        return _("With the studies from elsewhere: %(message)s") % {"message": warning.message}
    return warning.message


def _mean_sentence(pooled: AcrossTrials, outcome: str) -> str:
    told = {
        "n": pooled.n_trials,
        "sites": numbers.counted_sites(pooled.n_sites),
        "mean": _shown(pooled.mu),
        "interval": numbers.interval(math.exp(pooled.ci[0]), math.exp(pooled.ci[1]), DIGITS),
    }
    if outcome == "days_to_90":
        return (
            _(
                "Over %(n)d trials at %(sites)s, 90 %% is gone after %(mean)s days on average "
                "(95 %% interval %(interval)s days)."
            )
            % told
        )
    return (
        _(
            "Over %(n)d trials at %(sites)s, the average rate is %(mean)s per day (95 %% interval "
            "%(interval)s per day)."
        )
        % told
    )


def _spread(pooled: AcrossTrials) -> str:
    return _(
        "Two of these trials typically differ by a factor of %(factor)s. Spread on the log scale: "
        "%(trial)s between trials, %(site)s between sites. Q = %(q)s on %(df)d degrees of freedom, "
        "p = %(p)s."
    ) % {
        "factor": numbers.significant(pooled.typical_factor),
        "trial": numbers.root(pooled.tau2_trial),
        "site": numbers.root(pooled.tau2_site),
        "q": numbers.significant(pooled.q, DIGITS),
        "df": pooled.q_df,
        "p": "< 0.001" if pooled.q_p < 0.001 else numbers.significant(pooled.q_p),
    }


def _pools(found: AcrossTrialsAnswer) -> list[PoolRow]:
    named = (
        (_("Released trials of this registry"), found.pooled),
        (_("With the studies from elsewhere"), found.with_outside),
    )
    return [_pool_row(name, pooled) for name, pooled in named if pooled is not None]


def _pool_row(name: str, pooled: AcrossTrials) -> PoolRow:
    new = numbers.NONE
    if pooled.pi:
        new = numbers.interval(math.exp(pooled.pi[0]), math.exp(pooled.pi[1]), DIGITS)
    return PoolRow(
        name=name,
        estimate=_shown(pooled.mu),
        interval=numbers.interval(math.exp(pooled.ci[0]), math.exp(pooled.ci[1]), DIGITS),
        new_site=new,
        n_trials=pooled.n_trials,
        n_sites=pooled.n_sites,
        advice="" if pooled.advised else _("not advised: the trials differ too much"),
    )


def _source_row(row: EffectRow) -> SourceRow:
    return SourceRow(
        trial=row.trial,
        version=row.version,
        site=row.site,
        material=row.material,
        estimate=_shown(row.log_estimate),
        interval=_interval(row.log_estimate, math.sqrt(row.variance)),
        n_piles=row.n_piles,
        n_bags=row.n_bags,
    )


def _row_name(row: EffectRow, *, with_material: bool) -> str:
    parts: Sequence[str] = (row.site, row.material) if with_material else (row.site,)
    name = ", ".join((row.trial, *parts))
    return _("%(name)s (from elsewhere)") % {"name": name} if row.external else name


def _half_width(standard_error: float) -> float:
    return NormalDist().inv_cdf(0.975) * standard_error


def _interval(log_mean: float, standard_error: float) -> str:
    half = _half_width(standard_error)
    return numbers.interval(math.exp(log_mean - half), math.exp(log_mean + half), DIGITS)


def _shown(log_value: float) -> str:
    return numbers.significant(math.exp(log_value), DIGITS)
