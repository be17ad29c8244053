"""Loss on the primary day, all materials in one mixed model (`mixed/fixed_day.py`), as records.

    disintegration of a bag, %  =  mean of its material + site + site × material
                                   + pile + pile × material + residual

A look counts for the day when it was made within the protocol's window of it. An intact bag with
nothing left has lost 100 %. Each material's record carries its differences from every other
material, adjusted for their number, and compact letters: materials that share one are not shown to
differ.
"""

from collections.abc import Sequence

import numpy as np

from registry.science.formulation import Contrasted
from registry.science.mixed.contrasts import Contrasts
from registry.science.mixed.fixed_day import FixedDayResult, fit_fixed_day
from registry.science.mixed.fixed_day_means import MaterialMean
from registry.science.mixed.fixed_day_variances import NotPooled
from registry.science.mixed.general import MixedFit
from registry.science.mixed.leave_out import WithoutSite, leave_one_site_out
from registry.science.mixed.site_blocks import PILE_MATERIAL, SITE, SITE_MATERIAL
from registry.science.pool_warnings import counts_of
from registry.science.rate_pool import number
from registry.science.types import (
    BoolArray,
    Comparison,
    FitDidNotConverge,
    FloatArray,
    LeftOut,
    LookOutcome,
    PooledEstimate,
    SiteEstimate,
    Warning_,
)
from registry.science.used_looks import UsedLooks

MODEL = "fixed_day"
METHOD = (
    "Linear mixed model of the loss on the primary day: material fixed; site, site × material, "
    "pile in site and pile × material random, as far as the design separates them; REML; "
    "Kenward–Roger degrees of freedom; all pairs by Tukey's studentized range, against the "
    "reference, and within a formulation, by the multivariate t."
)
OUT_OF_RANGE = Warning_(
    "beyond_the_scale",
    "An interval reaches past 0 or 100 %, since this model is a straight one; read it as the end "
    "of the scale, and the one-stage answer for the chance.",
)


def compare_on_day(
    used: UsedLooks,
    *,
    day: float,
    window_days: float,
    reference: str | None,
    heat_class: str,
    model_version: str,
    families: Sequence[Contrasted] = (),
) -> tuple[PooledEstimate, ...]:
    """One record per material looked at on the day; none when no look fell on it.

    Parameters
    ----------
    window_days : looks up to so many days before or after count for the day.
    reference : label of the material to compare with; ignored when it was not looked at.
    families : materials compared within their own formulation.
    """
    chosen = used.in_fit & (np.abs(used.looks.day - day) <= window_days)
    if not chosen.any():
        return ()
    lost_pct = 100.0 * (1.0 - _remaining(used)[chosen])
    site, pile, material = _labels(used, chosen)
    known = reference if reference in set(material) else None
    asked = [(family.reference, family.others) for family in families]
    try:
        result = fit_fixed_day(site, pile, material, lost_pct, reference=known, families=asked)
    except FitDidNotConverge:
        result = NotPooled("did_not_converge", "The fit did not settle on one answer.")
    teller = _Teller(used, chosen, lost_pct, day, heat_class, model_version)
    if isinstance(result, NotPooled):
        return teller.not_pooled(result)
    return teller.records(result)


def _remaining(used: UsedLooks) -> FloatArray:
    gone = used.looks.outcome == LookOutcome.NOTHING_LEFT
    return np.where(gone, 0.0, used.looks.remaining)


def _labels(used: UsedLooks, chosen: BoolArray) -> tuple[list[str], list[str], list[str]]:
    looks = used.looks
    return (
        [looks.site_labels[s] for s in looks.site[chosen]],
        [looks.pile_labels[p] for p in looks.pile[chosen]],
        [looks.material_labels[m] for m in looks.material[chosen]],
    )


class _Teller:
    """Turns a fit into records; holds what every record needs."""

    def __init__(
        self,
        used: UsedLooks,
        chosen: BoolArray,
        lost_pct: FloatArray,
        day: float,
        heat_class: str,
        model_version: str,
    ) -> None:
        self.used, self.chosen, self.lost_pct = used, chosen, lost_pct
        self.day, self.heat_class, self.model_version = day, heat_class, model_version
        self.site = used.looks.site[chosen]
        self.pile = used.looks.pile[chosen]
        self.material = used.looks.material[chosen]

    def records(self, result: FixedDayResult) -> tuple[PooledEstimate, ...]:
        without = leave_one_site_out(result.fit, result.cells)
        return tuple(
            self._record(
                mean.material,
                result.warnings + self._range_warning(mean),
                mean=mean,
                fit=result.fit,
                sites=self._sites(mean.material, result, i),
                left_out=_left_out(without, i),
                comparisons=_comparisons(result, i),
                against_reference=_against_reference(result, i),
                within_formulation=_within_formulation(result, i),
            )
            for i, mean in enumerate(result.means)
        )

    def not_pooled(self, why: NotPooled) -> tuple[PooledEstimate, ...]:
        said = (Warning_(why.code, why.message),)
        labels = self.used.looks.material_labels
        return tuple(
            self._record(labels[m], said, sites=self._sites(labels[m], None, 0))
            for m in np.unique(self.material)
        )

    def _record(
        self,
        material: str,
        warnings: tuple[Warning_, ...],
        *,
        mean: MaterialMean | None = None,
        fit: MixedFit | None = None,
        sites: tuple[SiteEstimate, ...] = (),
        left_out: tuple[LeftOut, ...] = (),
        comparisons: tuple[Comparison, ...] = (),
        against_reference: Comparison | None = None,
        within_formulation: Comparison | None = None,
    ) -> PooledEstimate:
        m = self.used.looks.material_labels.index(material)
        mine = self.material == m
        n_sites, n_piles = len(np.unique(self.site[mine])), len(np.unique(self.pile[mine]))
        counts = counts_of(self.used, m, n_sites, n_piles, int(mine.sum()))
        return PooledEstimate(
            trial=self.used.looks.trial,
            material=material,
            outcome="disintegration_at_day",
            model=MODEL,
            day=self.day,
            heat_class=self.heat_class,
            time_scale="days",
            estimate=mean.estimate if mean else None,
            ci_low=number(mean.ci_low) if mean else None,
            ci_high=number(mean.ci_high) if mean else None,
            pi_low=mean.pi_low if mean else None,
            pi_high=mean.pi_high if mean else None,
            level=0.95,
            unit="%",
            log_estimate=None,
            log_standard_error=None,
            standard_error=mean.standard_error if mean else None,
            df=number(mean.df) if mean else None,
            letters=mean.letters if mean else "",
            tau2_site=mean.tau2_site if mean else None,
            tau2_pile=mean.tau2_pile if mean else None,
            tau2_site_material=fit.components.get(SITE_MATERIAL) if fit else None,
            tau2_pile_material=fit.components.get(PILE_MATERIAL) if fit else None,
            residual_variance=fit.sigma2 if fit else None,
            i2_pct=None,
            q=None,
            q_df=None,
            q_p=None,
            n_sites=n_sites,
            n_piles=n_piles,
            n_bags=int(mine.sum()),
            n_excluded=counts.n_excluded,
            n_lost=counts.n_lost,
            n_nothing_left=counts.n_nothing_left,
            method=METHOD,
            model_version=self.model_version,
            sites=sites,
            left_out=left_out,
            comparisons=comparisons,
            against_reference=against_reference,
            within_formulation=within_formulation,
            warnings=warnings,
        )

    def _range_warning(self, mean: MaterialMean) -> tuple[Warning_, ...]:
        ends = [mean.ci_low, mean.ci_high, mean.pi_low, mean.pi_high]
        beyond = any(end is not None and not 0.0 <= end <= 100.0 for end in ends)
        return (OUT_OF_RANGE,) if beyond else ()

    def _sites(
        self, material: str, result: FixedDayResult | None, column: int
    ) -> tuple[SiteEstimate, ...]:
        """Each site's mean of its pile means, and its prediction by the model."""
        labels = self.used.looks.site_labels
        mine = self.material == self.used.looks.material_labels.index(material)
        told = []
        for s in np.unique(self.site[mine]):
            at = mine & (self.site == s)
            piles = np.unique(self.pile[at])
            own = float(np.mean([self.lost_pct[at & (self.pile == p)].mean() for p in piles]))
            shrunken = None
            if result is not None:
                shrunken = float(result.shrunken[result.cells.sites.index(labels[s]), column])
            told.append(
                SiteEstimate(
                    site=labels[s],
                    estimate=own,
                    log_estimate=None,
                    log_standard_error=None,
                    ci_low=None,
                    ci_high=None,
                    shrunken_estimate=shrunken,
                    weight_pct=None,
                    n_piles=len(piles),
                    n_bags=int(at.sum()),
                )
            )
        return tuple(told)


def _left_out(without: tuple[WithoutSite, ...], i: int) -> tuple[LeftOut, ...]:
    return tuple(
        LeftOut(
            site=part.site,
            estimate=number(part.estimate[i]),
            ci_low=number(part.ci_low[i]),
            ci_high=number(part.ci_high[i]),
            tau2_site=part.components.get(SITE, 0.0) + part.components.get(SITE_MATERIAL, 0.0),
        )
        for part in without
        if part.not_pooled is None
    )


def _comparisons(result: FixedDayResult, i: int) -> tuple[Comparison, ...]:
    """Material i less every other one, adjusted for all pairs."""
    pairs = result.pairs
    if pairs is None:
        return ()
    told = []
    for c in range(len(pairs.estimate)):
        if int(pairs.first[c]) == i:
            told.append(_comparison(result, pairs, c, 1.0))
        elif int(pairs.second[c]) == i:
            told.append(_comparison(result, pairs, c, -1.0))
    return tuple(told)


def _against_reference(result: FixedDayResult, i: int) -> Comparison | None:
    """Material i less the reference, adjusted for the comparisons with it."""
    contrasts = result.reference
    if contrasts is None:
        return None
    mine = np.flatnonzero(contrasts.first == i)
    return _comparison(result, contrasts, int(mine[0]), 1.0) if len(mine) else None


def _within_formulation(result: FixedDayResult, i: int) -> Comparison | None:
    """Material i less its base alone or its uncoated partner, adjusted within that family."""
    for family in result.families:
        mine = np.flatnonzero(family.first == i)
        if len(mine):
            return _comparison(result, family, int(mine[0]), 1.0)
    return None


def _comparison(result: FixedDayResult, contrasts: Contrasts, c: int, sign: float) -> Comparison:
    other = contrasts.second[c] if sign > 0 else contrasts.first[c]
    ends = sorted((sign * float(contrasts.ci_low[c]), sign * float(contrasts.ci_high[c])))
    return Comparison(
        other=result.cells.materials[int(other)],
        difference=sign * float(contrasts.estimate[c]),
        standard_error=float(contrasts.standard_error[c]),
        df=float(contrasts.df[c]),
        ci_low=ends[0],
        ci_high=ends[1],
        p_adjusted=float(contrasts.p_adjusted[c]),
        adjustment=contrasts.adjustment,
    )
