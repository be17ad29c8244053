"""The findings of a trial that wait for somebody, in the order they were raised."""

from dataclasses import dataclass

from django.db.models import Count, Q, QuerySet

from registry.models import Flag, FlagDecision, Trial
from registry.permissions import Actor, visible_to


@dataclass(frozen=True, slots=True)
class QueueFilter:
    """Blank is everything. `decision` is a word of `FlagDecision`."""

    decision: str = FlagDecision.WAITING
    code: str = ""
    site: str = ""


@dataclass(frozen=True, slots=True)
class QueueCounts:
    """How many flags by decision, and how many wait by code and by site (code, name)."""

    by_decision: dict[str, int]
    waiting_by_code: dict[str, int]
    waiting_by_site: dict[tuple[str, str], int]


RELATED = ("pile__site", "pile__trial", "bag__material", "decided_by")
OF_LOOK = ("retrieval__bag__material", "retrieval__bag__trial", "retrieval__bag__pile__site")


def flags_of(actor: Actor, trial: Trial) -> QuerySet[Flag]:
    rows = visible_to(actor, Flag).filter(pile__trial=trial)
    return rows.select_related(*RELATED, *OF_LOOK).order_by("pk")


def queue(actor: Actor, trial: Trial, wanted: QueueFilter) -> QuerySet[Flag]:
    """Flags of the filter, oldest first."""
    rows = flags_of(actor, trial).filter(decision=wanted.decision)
    if wanted.code:
        rows = rows.filter(code=wanted.code)
    return rows.filter(pile__site__code=wanted.site) if wanted.site else rows


def next_waiting(actor: Actor, trial: Trial, wanted: QueueFilter, after: int) -> Flag | None:
    """The next one that waits, round to the first again; None when all are decided."""
    waiting = QueueFilter(FlagDecision.WAITING, wanted.code, wanted.site)
    rows = queue(actor, trial, waiting).exclude(pk=after)
    return rows.filter(pk__gt=after).first() or rows.first()


def queue_counts(actor: Actor, trial: Trial) -> QueueCounts:
    """Two queries."""
    rows = visible_to(actor, Flag).filter(pile__trial=trial).order_by()
    by_decision = dict(rows.values_list("decision").annotate(n=Count("pk")))
    waiting = rows.filter(decision=FlagDecision.WAITING)
    by_code: dict[str, int] = {}
    by_site: dict[tuple[str, str], int] = {}
    counted = waiting.values_list("code", "pile__site__code", "pile__site__name")
    for code, site, name, n in counted.annotate(n=Count("pk")):
        by_code[code] = by_code.get(code, 0) + n
        by_site[site, name] = by_site.get((site, name), 0) + n
    return QueueCounts(by_decision, by_code, by_site)


def reasons_given(trial: Trial, code: str, *, at_most: int = 8) -> list[str]:
    """Reasons people gave for findings of this kind, the commonest first: to choose from."""
    rows = Flag.objects.filter(
        Q(decision=FlagDecision.ACCEPT) | Q(decision=FlagDecision.EXCLUDE),
        pile__trial=trial,
        code=code,
    )
    counted = rows.order_by().values_list("reason").annotate(n=Count("pk"))
    return [reason for reason, _n in counted.order_by("-n", "reason")[:at_most]]
