"""The numbers behind each figure, as the rows of a table: what a reader draws again elsewhere."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from registry.figures.curves import curve_days, site_curves
from registry.figures.diagnostics import influences, residuals_of
from registry.figures.shapes import Source
from registry.figures.weeks import site_days, twenty_piles
from registry.models import PooledEstimate
from registry.queries.explanations import heat_of_material

Cell = str | int | float | None
Rows = Callable[[Source], Iterator[tuple[Cell, ...]]]


@dataclass(frozen=True, slots=True)
class Numbers:
    """Column names, with units in them, and rows."""

    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def numbers_behind(name: str, source: Source) -> Numbers | None:
    """The table of one figure; None for a figure that has none."""
    found = _TABLES.get(name)
    if found is None:
        return None
    columns, rows = found
    return Numbers(tuple(columns), tuple(rows(source)))


def _forest(source: Source) -> Iterator[tuple[Cell, ...]]:
    estimate = source.estimate
    for part in estimate.sites.all():
        numbers = (part.estimate, part.ci_low, part.ci_high, part.shrunken_estimate)
        counts = (part.weight_pct, part.n_piles, part.n_bags)
        yield ("site", part.site.code, *numbers, *counts)
    mean = (estimate.estimate, estimate.ci_low, estimate.ci_high, None, None)
    yield ("pooled_mean", "", *mean, estimate.n_piles, estimate.n_bags)
    yield ("new_pile", "", None, estimate.pi_low, estimate.pi_high, None, None, None, None)


def _curve(source: Source) -> Iterator[tuple[Cell, ...]]:
    for day in curve_days(source.estimate):
        bands = (day.low_pct, day.high_pct, day.new_low_pct, day.new_high_pct)
        yield ("pooled", "", day.day, day.fitted_pct, *bands)
    for code, days in site_curves(source.estimate):
        for day in days:
            yield ("site", code, day.day, day.fitted_pct, None, None, None, None)


def _panels(source: Source) -> Iterator[tuple[Cell, ...]]:
    for day in curve_days(source.estimate):
        yield ("pooled_curve", "", "", day.day, day.fitted_pct, None)
    for code, days in site_curves(source.estimate):
        for day in days:
            yield ("site_curve", code, "", day.day, day.fitted_pct, None)
    for mean in source.pile_means:
        percent = 100 * mean.remaining
        yield ("pile_mean", mean.site, mean.pile, mean.day, percent, mean.n_bags)


def _days_until_gone(source: Source) -> Iterator[tuple[Cell, ...]]:
    for n, days in enumerate(twenty_piles(source.estimate), start=1):
        yield ("new_pile", n, days)
    yield from _gone_at_sites(source.estimate)


def _gone_at_sites(estimate: PooledEstimate) -> Iterator[tuple[Cell, ...]]:
    for n, days in enumerate(site_days(estimate), start=1):
        yield ("site", n, days)


def _residuals(source: Source) -> Iterator[tuple[Cell, ...]]:
    for one in residuals_of(source):
        yield (one.fitted_pct, one.residual, one.sd)


def _influence(source: Source) -> Iterator[tuple[Cell, ...]]:
    for one in influences(source.estimate):
        yield (one.site, one.change)


def _against_heat(kind: str) -> Rows:
    def rows(source: Source) -> Iterator[tuple[Cell, ...]]:
        found = heat_of_material(source.estimate.run, source.estimate.material)
        for point in (p for item in found if item.kind == kind for p in item.points.all()):
            yield (point.site.code, point.x, point.log_rate, point.standard_error)

    return rows


_DAYS = ("series", "number", "days_until_90_pct_gone")
_TABLES: dict[str, tuple[Sequence[str], Rows]] = {
    "forest": (
        (
            *("row", "site", "rate_per_day", "low_per_day", "high_per_day"),
            *("shrunken_per_day", "weight_pct", "n_piles", "n_bags"),
        ),
        _forest,
    ),
    "curve": (
        (
            *("series", "site", "day", "remaining_pct", "ci_low_pct", "ci_high_pct"),
            *("pi_low_pct", "pi_high_pct"),
        ),
        _curve,
    ),
    "panels": (("series", "site", "pile", "day", "remaining_pct", "n_bags"), _panels),
    "residuals": (("fitted_pct", "residual_points", "sd_points"), _residuals),
    "influence": (("without_site", "change_in_standard_errors"), _influence),
    "mean_temperature": (
        ("site", "mean_temperature_c", "log_rate_per_day", "standard_error"),
        _against_heat("mean_temperature"),
    ),
    "hours_above_55": (
        ("site", "hours_above_55_c", "log_rate_per_day", "standard_error"),
        _against_heat("hours_above_55"),
    ),
    "weeks": (_DAYS, _days_until_gone),
    "days": (_DAYS, _days_until_gone),
}
