"""Quality findings as lines of a queue, and one of them with its evidence on one screen."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.utils.safestring import SafeString, mark_safe
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters.numbers import percent, significant
from frontend.presenters.vocabulary import (
    FLAG_DECISIONS,
    FLAG_KINDS,
    LOOK_OUTCOMES,
    UNITS,
    word,
)
from registry.charts.looks import LookDot, LookWords, look_drawing
from registry.charts.svg import Caption
from registry.models import Flag, FlagDecision, ProbeDay
from registry.queries.flag_evidence import Evidence, LookSeen
from registry.queries.flag_queue import QueueCounts

# Findings whose limits are percents left, so that they can be drawn over the looks.
DRAWN_LIMITS = {"remaining_over_105", "control_lost_mass", "control_gained_mass"}


@dataclass(frozen=True, slots=True)
class FlagLine:
    pk: int
    kind: str
    subject: str
    site: str
    message: str
    decision: str
    raised_at: datetime


@dataclass(frozen=True, slots=True)
class LookRow:
    """One look in words; `mark` says why the row stands out."""

    pk: int
    label: str
    material: str
    day: str
    outcome: str
    start: str
    dry: str
    ash: str
    score: str
    left: str
    mark: str


@dataclass(frozen=True, slots=True)
class FlagPage:
    """Everything the page of one finding says. `numbers` are (label, value with its unit)."""

    pk: int
    kind: str
    subject: str
    place: str
    message: str
    numbers: tuple[tuple[str, str], ...]
    bag_facts: tuple[tuple[str, str], ...]
    bag_label: str
    own_looks: tuple[LookRow, ...]
    replicates: tuple[LookRow, ...]
    other_looks: tuple[LookRow, ...]
    batch: tuple[tuple[str, str, str, bool], ...]
    probe_days: tuple[tuple[str, str, str, bool], ...]
    others: tuple[FlagLine, ...]
    drawing: SafeString | None
    consequence: str
    is_decided: bool
    is_excluded: bool
    is_withdrawn: bool
    decided: str
    reason: str


def flag_line(flag: Flag) -> FlagLine:
    return FlagLine(
        pk=flag.pk,
        kind=word(FLAG_KINDS, flag.code),
        subject=subject_of(flag),
        site=flag.pile.site.name,
        message=flag.message,
        decision=capfirst(word(FLAG_DECISIONS, flag.decision)),
        raised_at=flag.raised_at,
    )


def subject_of(flag: Flag) -> str:
    if flag.retrieval is not None:
        label, look = flag.retrieval.bag.label, flag.retrieval
        day = (look.retrieved_on - look.bag.buried_on).days
        return _("bag %(label)s, day %(day)d") % {"label": label, "day": day}
    if flag.bag is not None:
        return _("bag %(label)s") % {"label": flag.bag.label}
    if flag.probe:
        return _("probe %(probe)s, pile %(pile)s") % {"probe": flag.probe, "pile": flag.pile.code}
    return _("pile %(pile)s") % {"pile": flag.pile.code}


def tallies(counts: QueueCounts) -> list[tuple[str, str, int]]:
    """Code, name and number of what waits, the commonest first."""
    rows = sorted(counts.waiting_by_code.items(), key=lambda item: (-item[1], item[0]))
    return [(code, word(FLAG_KINDS, code), n) for code, n in rows]


def flag_page(flag: Flag, found: Evidence) -> FlagPage:
    rows = [(look, look_row(look)) for look in found.looks]
    return FlagPage(
        pk=flag.pk,
        kind=word(FLAG_KINDS, flag.code),
        subject=subject_of(flag),
        place=_("%(site)s, pile %(pile)s") % {"site": flag.pile.site.name, "pile": flag.pile.code},
        message=flag.message,
        numbers=tuple(_numbers(flag)),
        bag_facts=tuple(_bag_facts(found)),
        bag_label=found.bag.label if found.bag is not None else "",
        own_looks=tuple(row for look, row in rows if look.is_same_bag),
        replicates=tuple(row for look, row in rows if look.is_replicate),
        other_looks=tuple(
            row for look, row in rows if not look.is_same_bag and not look.is_replicate
        ),
        batch=tuple(
            (bag.label, bag.pile, significant(bag.initial_mass_g, 4), bag.is_subject)
            for bag in found.batch
        ),
        probe_days=tuple(_probe_row(day, flag) for day in found.probe_days),
        others=tuple(flag_line(other) for other in found.others),
        drawing=_drawing(flag, found),
        consequence=_consequence(flag),
        is_decided=flag.decision in (FlagDecision.ACCEPT, FlagDecision.EXCLUDE),
        is_excluded=flag.decision == FlagDecision.EXCLUDE,
        is_withdrawn=flag.decision == FlagDecision.WITHDRAWN,
        decided=_decided(flag),
        reason=flag.reason,
    )


def look_row(look: LookSeen) -> LookRow:
    on_plan = look.planned_days in (None, look.day)
    planned = "" if on_plan else _(" (planned %(n)d)") % {"n": look.planned_days}
    marks = (
        *((_("in question"),) if look.is_subject else ()),
        *((_("excluded"),) if look.is_excluded else ()),
    )
    return LookRow(
        pk=look.pk,
        label=look.label,
        material=look.material,
        day=f"{look.day}{planned}",
        outcome=word(LOOK_OUTCOMES, look.outcome),
        start=significant(look.initial_mass_g, 4),
        dry=significant(look.dry_mass_g, 4),
        ash=significant(look.ash_pct, 3),
        score="–" if look.fragmentation is None else str(look.fragmentation),
        left=percent(look.remaining),
        mark=", ".join(marks),
    )


def _numbers(flag: Flag) -> list[tuple[str, str]]:
    unit = word(UNITS, flag.unit) if flag.unit else ""
    told = [
        (_("Found"), flag.found),
        (_("Least that would have passed"), flag.limit_low),
        (_("Most that would have passed"), flag.limit_high),
        (_compared(flag), flag.compared_with),
    ]
    rows = [(label, f"{significant(n, 3)} {unit}".strip()) for label, n in told if n is not None]
    moments = ((_("From"), flag.from_at), (_("Until"), flag.until_at))
    return rows + [(label, _moment(at)) for label, at in moments if at is not None]


def _compared(flag: Flag) -> str:
    if not flag.n_compared:
        return _("Compared with")
    return ngettext(
        "Compared with (%(n)d value)", "Compared with (%(n)d values)", flag.n_compared
    ) % {"n": flag.n_compared}


def _moment(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M} UTC"


def _bag_facts(found: Evidence) -> list[tuple[str, str]]:
    bag = found.bag
    if bag is None:
        return []
    moisture, depth = bag.initial_moisture_pct, bag.depth_cm
    rows: list[tuple[str, str | None]] = [
        (_("Material"), bag.material.name),
        (_("Buried on"), bag.buried_on.isoformat()),
        (_("Start mass"), _("%(n)s g") % {"n": significant(bag.initial_mass_g, 4)}),
        (_("Start moisture"), None if moisture is None else f"{significant(moisture)} %"),
        (_("Depth"), None if depth is None else _("%(n)s cm") % {"n": significant(depth)}),
    ]
    return [(label, value) for label, value in rows if value is not None]


def _probe_row(day: ProbeDay, flag: Flag) -> tuple[str, str, str, bool]:
    span = f"{day.lowest_c:.1f} – {day.mean_c:.1f} – {day.highest_c:.1f}"
    return day.day.isoformat(), day.probe, span, day.probe == flag.probe


def _drawing(flag: Flag, found: Evidence) -> SafeString | None:
    dots = [_dot(look) for look in found.looks if look.remaining is not None]
    if len(dots) < 2:
        return None
    limits = [n for n in (flag.limit_low, flag.limit_high) if n is not None]
    of_days = flag.code == "outside_window"
    drawn = look_drawing(
        dots,
        limits_pct=limits if flag.code in DRAWN_LIMITS else (),
        limits_day=[n for n in limits if n >= 0] if of_days else (),
        words=LookWords(_("Days in the pile"), _("Dry mass left, %")),
        caption=Caption(
            f"flag-{flag.pk}",
            _("Dry mass left, over days"),
            _("Square: the look in question. The tables beside it hold every number drawn."),
        ),
    )
    # Made by our own code from numbers and escaped text.
    return mark_safe(drawn)


def _dot(look: LookSeen) -> LookDot:
    kind = "subject" if look.is_subject else "excluded" if look.is_excluded else "other"
    if kind == "other" and look.is_same_bag:
        kind = "bag"
    return LookDot(look.day, 100 * (look.remaining or 0.0), kind)


def _consequence(flag: Flag) -> str:
    if flag.retrieval_id is not None:
        return _("Excluding leaves this one look out of pooling.")
    if flag.bag_id is not None:
        return _("Excluding leaves every look at this bag out of pooling.")
    if flag.probe:
        return _("Excluding leaves the log of this probe out of the heat of the pile.")
    return _("Excluding leaves every bag of this pile out of pooling.")


def _decided(flag: Flag) -> str:
    if flag.decided_at is None:
        return ""
    who = str(flag.decided_by or _("the quality rules"))
    told = {
        "what": capfirst(word(FLAG_DECISIONS, flag.decision)),
        "who": who,
        "when": _moment(flag.decided_at),
    }
    return _("%(what)s (%(who)s, %(when)s)") % told


def site_choices(counts: QueueCounts) -> Sequence[tuple[str, str]]:
    return sorted(counts.waiting_by_site, key=lambda item: item[1])
