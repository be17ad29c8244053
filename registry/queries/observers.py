"""Who looked is for the people of the site and the trial's coordinators; others see a blank."""

from collections.abc import Sequence
from typing import Any

from django.db.models import Case, CharField, F, Q, QuerySet, Value, When

from registry.models import Site, Trial


def shown_observer(
    sites: QuerySet[Site] | Sequence[int], trials: QuerySet[Trial] | Sequence[int]
) -> Any:
    """The observer of a `Retrieval` as someone sees it who belongs to these sites and trials."""
    nobody = Value("", output_field=CharField())
    if isinstance(sites, Sequence) and isinstance(trials, Sequence) and not (sites or trials):
        return nobody
    theirs = Q(bag__pile__site__in=sites) | Q(bag__trial__in=trials)
    return Case(When(theirs, then=F("observer")), default=nobody)
