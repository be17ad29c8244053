"""Bags for paper: labels to print, and the sheets to fill in at the piles."""

from datetime import timedelta
from itertools import groupby
from typing import Any

from django.db.models import Q, QuerySet

from registry.errors import InvalidValue, NotFound
from registry.models import Bag, Site, Trial
from registry.paper.labels import BagLabel
from registry.paper.retrieval_sheet import Sheet, SheetBag
from registry.permissions import Actor, visible_to

# Thirty pages of labels; more at once is a slip, and keeps a web process busy.
MOST_BAGS = 1000


def own_bags(actor: Actor) -> QuerySet[Any]:
    """Bags of the actor's own sites and trials; a released bag of somebody else is not to label."""
    mine = Q(pile__site__in=actor.sites()) | Q(trial__in=actor.trials())
    return visible_to(actor, Bag).filter(mine)


def own_trials(actor: Actor) -> list[tuple[str, str]]:
    """Code and title of the trials in which the actor has bags to print for."""
    rows = Trial.objects.filter(pk__in=own_bags(actor).order_by().values("trial"))
    return list(rows.order_by("code").values_list("code", "title"))


def own_sites(actor: Actor) -> list[tuple[str, str]]:
    rows = Site.objects.filter(pk__in=own_bags(actor).order_by().values("pile__site"))
    return list(rows.order_by("code").values_list("code", "name"))


def chosen_bags(
    actor: Actor,
    *,
    trial: str,
    site: str = "",
    pile: str = "",
    bag_label: str = "",
    material: str = "",
    planned_days: int | None = None,
) -> QuerySet[Any]:
    """The actor's own bags of a trial that fit; blank asks for all. `bag_label` may name several,
    separated by commas or spaces."""
    wanted: dict[str, Any] = {
        "pile__site__code": site,
        "pile__code": pile,
        "material__code": material,
        "label__in": bag_label.replace(",", " ").split(),
    }
    bags = own_bags(actor).filter(trial__code=trial)
    bags = bags.filter(**{path: value for path, value in wanted.items() if value})
    return bags if planned_days is None else bags.filter(planned_days=planned_days)


def labels_of(bags: QuerySet[Any]) -> list[BagLabel]:
    """In the order of burying: site, pile, planned day, material. One query."""
    return [
        BagLabel(
            trial=bag.trial.code,
            bag_label=bag.label,
            site=bag.pile.site.code,
            pile=bag.pile.code,
            material=bag.material.code,
            purpose=bag.purpose,
            planned_days=bag.planned_days,
            due_on=_due_on(bag),
        )
        for bag in _in_order(bags)
    ]


def sheets_of(bags: QuerySet[Any]) -> list[Sheet]:
    """One sheet a pile and planned day. One query."""
    found = []
    for _, group in groupby(_in_order(bags), key=lambda bag: (bag.pile_id, bag.planned_days)):
        rows = list(group)
        first = rows[0]
        days = [day for bag in rows if (day := _due_on(bag))]
        found.append(
            Sheet(
                trial=first.trial.code,
                trial_title=first.trial.title,
                site=first.pile.site.code,
                site_name=first.pile.site.name,
                pile=first.pile.code,
                planned_days=first.planned_days,
                due_from=min(days, default=None),
                due_until=max(days, default=None),
                window_days=first.trial.window_days,
                bags=tuple(SheetBag(bag.label, bag.material.code, bag.purpose) for bag in rows),
            )
        )
    return found


def _in_order(bags: QuerySet[Any]) -> list[Any]:
    rows = bags.select_related("trial", "pile__site", "material").order_by(
        "pile__site__code", "pile__code", "planned_days", "purpose", "material__code", "label"
    )
    found = list(rows[: MOST_BAGS + 1])
    if not found:
        raise NotFound("No bag of yours fits that.")
    if len(found) > MOST_BAGS:
        raise InvalidValue(
            f"More than {MOST_BAGS} bags fit; name a site, a pile or a planned day.", field="pile"
        )
    return found


def _due_on(bag: Any) -> Any:
    return None if bag.planned_days is None else bag.buried_on + timedelta(days=bag.planned_days)
