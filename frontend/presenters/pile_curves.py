"""The decay curves of a pile's materials: a table row each, and small pictures over the data."""

from dataclasses import dataclass

import numpy as np
from django.utils.translation import gettext as _

from frontend.pictures import Picture, kept
from frontend.presenters.numbers import NONE, interval, significant
from frontend.presenters.vocabulary import CURVE_SHAPES, word
from registry.charts.decay import CurveDay, CurveWords, PileMean, SiteCurve, site_panels
from registry.queries.pile_curves import MaterialCurve

# Enough points that a bend looks like one.
POINTS = 60


@dataclass(frozen=True, slots=True)
class CurveRow:
    """One material: numbers of the best shape; `note` says what bounds or weakens them."""

    code: str
    name: str
    shape: str
    rate: str
    half_life: str
    days_to_90: str
    n_looks: int
    note: str


def curve_rows(found: list[MaterialCurve]) -> list[CurveRow]:
    return [_row(part) for part in found]


def curve_picture(found: list[MaterialCurve]) -> Picture | None:
    """None where no material has a curve."""
    drawn = tuple(_panel(part) for part in found if part.shown is not None)
    if not drawn:
        return None
    words = CurveWords(_("Days in the pile"), _("Dry mass left, %"), "")
    title = _("How each material breaks down in this pile")
    about = _(
        "One panel per material: a ring for the mean of one day's bags, the curve of the best "
        "shape as a full line. The table that follows holds the numbers."
    )

    def draw(**options: object) -> str:
        return site_panels(drawn, pooled=(), words=words, **options)  # type: ignore[arg-type]

    return kept("pile-curves", (drawn, words), title, about, draw)


def _row(part: MaterialCurve) -> CurveRow:
    curve, shown, single = part.curve, part.shown, part.first_order
    rate = NONE
    if curve.rate_at_least is not None or curve.rate_at_most is not None:
        rate = interval(curve.rate_at_least, curve.rate_at_most)
    elif single is not None:
        rate = significant(single.parameters[0])
    return CurveRow(
        code=curve.material.code,
        name=curve.material.name,
        shape=word(CURVE_SHAPES, shown.shape) if shown and curve.best else NONE,
        rate=rate,
        half_life=significant(shown.half_life_days, 3) if shown else NONE,
        days_to_90=_days_to_90(part),
        n_looks=curve.n_looks,
        note=_note(part),
    )


def _days_to_90(part: MaterialCurve) -> str:
    shown = part.shown
    if shown is None or shown.days_to_90 is None:
        return NONE
    return significant(shown.days_to_90, 3)


def _note(part: MaterialCurve) -> str:
    said = [part.curve.message] if part.curve.message else []
    return " ".join(said + (list(part.shown.warnings) if part.shown else []))


def _panel(part: MaterialCurve) -> SiteCurve:
    last = max([day for day, _left in part.means], default=7.0)
    days = np.linspace(0.0, last, POINTS)
    left = 100.0 * part.remaining(days)
    return SiteCurve(
        site=part.curve.material.code,
        observed=tuple(PileMean(day, 100.0 * mean) for day, mean in part.means),
        curve=tuple(
            CurveDay(float(day), float(value)) for day, value in zip(days, left, strict=True)
        ),
    )
