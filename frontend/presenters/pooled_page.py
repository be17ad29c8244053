"""Everything the page of one pooled result shows, put together once."""

from dataclasses import dataclass

from frontend import pictures
from frontend.presenters import explained_page, numbers, pooled, pooled_words
from registry.charts.decay import CurveDay
from registry.figures.curves import curve_days
from registry.figures.diagnostics import influences
from registry.models import Explanation, PooledEstimate
from registry.queries.explanations import HEAT
from registry.queries.pooled_results import Exclusion, PooledResult


@dataclass(frozen=True, slots=True)
class PooledPage:
    """Shaped for the template; `curve_of` names the estimate whose curve is drawn."""

    headline: str
    warnings: list[str]
    other_warnings: list[tuple[str, str]]
    estimate: PooledEstimate
    unit: str
    forest: pictures.Picture | None
    sites: list[pooled.SiteRow]
    mean: pooled.PooledRow
    left_out: list[pooled.LeftOutRow]
    heterogeneity: list[str]
    by_heat: list[str]
    counts: list[tuple[str, int]]
    exclusions: tuple[Exclusion, ...]
    losses: list[tuple[str, str, str]]
    chances: list[tuple[int, str]]
    comparisons: list[pooled.ComparisonRow]
    letters: str
    two_models: str
    estimates: list[pooled.EstimateRow]
    curve_of: int
    curve: tuple[CurveDay, ...]
    curve_picture: pictures.Picture | None
    panels: pictures.Picture | None
    residuals: pictures.Picture | None
    influence: pictures.Picture | None
    influences: list[tuple[str, str]]
    heat: list[explained_page.ExplainedPart]


def pooled_page(result: PooledResult, heat: list[Explanation]) -> PooledPage:
    primary = result.primary
    drawn = next((e for e in (primary, *result.estimates) if e.curve.all()), primary)
    stored = pictures.stored_pictures(
        [
            *((primary.pk, name) for name in ("forest", "residuals", "influence", *HEAT)),
            *((drawn.pk, name) for name in ("curve", "panels")),
        ]
    )
    return PooledPage(
        headline=pooled_words.headline(result),
        warnings=pooled_words.warnings_of(result),
        other_warnings=pooled_words.other_warnings(result),
        estimate=primary,
        unit=pooled.unit_of(primary),
        forest=stored["forest"],
        sites=pooled.site_rows(primary),
        mean=pooled.pooled_row(primary),
        left_out=pooled.left_out_rows(primary),
        heterogeneity=pooled_words.heterogeneity(primary),
        by_heat=pooled_words.by_heat(result),
        counts=pooled.count_rows(result),
        exclusions=result.exclusions,
        losses=pooled.loss_rows(primary),
        chances=pooled.chance_rows(primary),
        comparisons=pooled.comparison_rows(result),
        letters=pooled_words.letters(result),
        two_models=pooled_words.two_models(result),
        estimates=pooled.estimate_rows(result),
        curve_of=drawn.pk,
        curve=curve_days(drawn),
        curve_picture=stored["curve"],
        panels=stored["panels"],
        residuals=stored["residuals"],
        influence=stored["influence"],
        influences=[(one.site, numbers.change(one.change)) for one in influences(primary)],
        heat=explained_page.parts(heat, stored),
    )
