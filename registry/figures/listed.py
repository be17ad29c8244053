"""Every stored figure of an estimate, in one list: a new one is a function and a line here."""

from django.conf import settings
from django.utils import translation

from registry.charts.svg import Caption
from registry.figures.curves import curve, panels
from registry.figures.diagnostics import influence, residuals
from registry.figures.explained import hours_above_55, mean_temperature
from registry.figures.forest import forest
from registry.figures.shapes import FigureKind, Source
from registry.figures.weeks import in_days, in_weeks

# Raise it when a drawing changes: stored ones of an earlier version are drawn again.
DRAWING_VERSION = 5

FIGURES = {
    kind.name: kind
    for kind in (
        FigureKind("weeks", in_weeks, for_growers=True),
        FigureKind("days", in_days, for_growers=True),
        FigureKind("forest", forest),
        FigureKind("curve", curve),
        FigureKind("panels", panels),
        FigureKind("residuals", residuals),
        FigureKind("influence", influence),
        FigureKind("mean_temperature", mean_temperature),
        FigureKind("hours_above_55", hours_above_55),
    )
}
WIDTHS = ("wide", "narrow")


def languages_of(kind: FigureKind) -> list[str]:
    """The languages in which a figure is drawn ahead of its first reader."""
    if kind.for_growers:
        return [code for code, _ in settings.LANGUAGES]
    return [settings.LANGUAGE_CODE]


def drawn(kind: FigureKind, source: Source, language: str) -> tuple[str, str]:
    """SVG for a wide and for a narrow screen; both blank where there is nothing to draw.

    The ids inside name the estimate, so that a page may show the same figure of several.
    """
    stem = f"{kind.name}-{source.estimate.pk}"
    with translation.override(language):
        planned = kind.plan(source)
        if planned is None:
            return "", ""
        wide, narrow = (
            planned.draw(
                caption=Caption(f"{stem}-{width}", planned.title, planned.about), width=width
            )
            for width in WIDTHS
        )
    return wide, narrow
