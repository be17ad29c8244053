"""Which runs a newer finished run of the same trial has superseded, as far as the reader can see.

A run that a reader may not see supersedes nothing for them: that it exists is not theirs to know.
"""

from typing import Any

from django.db.models import Exists, OuterRef, QuerySet

from registry.models import PoolingRun, RunState
from registry.permissions import Actor, visible_to


def with_superseded(rows: QuerySet[Any], actor: Actor, *, run: str = "") -> QuerySet[Any]:
    """Rows annotated with `superseded`; `run` is the path from a row to its run, blank for runs."""
    path = f"{run}__" if run else ""
    newer = visible_to(actor, PoolingRun).filter(
        trial=OuterRef(f"{path}trial"), state=RunState.DONE, pk__gt=OuterRef(f"{path}pk")
    )
    return rows.annotate(superseded=Exists(newer.order_by()))
