"""Which curves of a pile are the present ones."""

from django.db.models import Max, QuerySet

from registry.models import Pile, PileCurve


def newest_curves(rows: QuerySet[PileCurve], pile: Pile) -> QuerySet[PileCurve]:
    """Of `rows` that someone may see, those of the pile from its newest run, by material."""
    mine = rows.filter(pile=pile)
    newest = mine.order_by().aggregate(run=Max("run_id"))["run"]
    return mine.filter(run_id=newest).order_by("material__code")
