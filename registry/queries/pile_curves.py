"""The curves of a pile's materials from the newest run that has them, and the data they rest on."""

from dataclasses import dataclass

import numpy as np
from django.db.models import Max, Q, QuerySet

from registry.models import CurveShape, Pile, PileCurve
from registry.permissions import Actor, visible_to
from registry.queries.looks_of_trial import looks_of
from registry.science.curve_shapes import SHAPES
from registry.science.mass_balance import UPPER_LIMIT_ABOVE
from registry.science.types import BagLooks, BagPurpose, FloatArray, LookOutcome


@dataclass(frozen=True, slots=True)
class MaterialCurve:
    """One material in one pile: its curve, the five shapes, and the mean of each day's bags.

    shown : the shape of least AICc, or the first that was fitted when none could be ranked.
    means : (day, fraction remaining), bags of one day together; nothing left counts as 0.
    """

    curve: PileCurve
    shapes: tuple[CurveShape, ...]
    shown: CurveShape | None
    means: tuple[tuple[float, float], ...]

    @property
    def first_order(self) -> CurveShape | None:
        """The single rate, None where it was refused."""
        return next((s for s in self.shapes if s.shape == "first_order" and not s.refused), None)

    def remaining(self, day: FloatArray) -> FloatArray:
        """The shown shape at `day` (n,), fraction; empty without one."""
        if self.shown is None:
            return np.empty(0)
        shape = next(shape for shape in SHAPES if shape.name == self.shown.shape)
        return shape.value(day, np.array(self.shown.parameters))


def newest_curves(rows: QuerySet[PileCurve], pile: Pile) -> QuerySet[PileCurve]:
    """Of `rows` that someone may see, those of the pile from its newest run, by material."""
    mine = rows.filter(pile=pile)
    newest = mine.order_by().aggregate(run=Max("run_id"))["run"]
    return mine.filter(run_id=newest).order_by("material__code")


def material_curves(actor: Actor, pile: Pile) -> list[MaterialCurve]:
    """For the people of the pile's site and the trial's coordinators; none for others, since the
    looks behind the curves are theirs alone until a release."""
    theirs = Q(site__in=actor.sites()) | Q(trial__in=actor.trials())
    if not Pile.objects.filter(theirs, pk=pile.pk).exists():
        return []
    rows = newest_curves(visible_to(actor, PileCurve), pile)
    curves = list(rows.select_related("material").prefetch_related("shapes"))
    if not curves:
        return []
    looks = looks_of(pile.trial, pile=pile)
    return [_material_curve(curve, looks) for curve in curves]


def _material_curve(curve: PileCurve, looks: BagLooks) -> MaterialCurve:
    shapes = tuple(curve.shapes.all())
    fitted = [shape for shape in shapes if not shape.refused]
    best = [shape for shape in fitted if shape.shape == curve.best]
    return MaterialCurve(
        curve=curve,
        shapes=shapes,
        shown=next(iter(best + fitted), None),
        means=_means(looks, curve.material.code),
    )


def _means(looks: BagLooks, material: str) -> tuple[tuple[float, float], ...]:
    """Means of the looks that a fit may use, as `used_looks` chooses them."""
    if material not in looks.material_labels:
        return ()
    left = np.where(looks.outcome == LookOutcome.NOTHING_LEFT, 0.0, looks.remaining)
    keep = looks.material == looks.material_labels.index(material)
    keep &= np.isfinite(left) & ~looks.excluded & (looks.day > 0)
    keep &= (looks.purpose == BagPurpose.SAMPLE) & (
        looks.ash_corrected | (left <= UPPER_LIMIT_ABOVE)
    )
    days = np.unique(looks.day[keep])
    return tuple((float(day), float(left[keep & (looks.day == day)].mean())) for day in days)
