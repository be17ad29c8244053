"""A lab's day in words: what to do first, pile by pile."""

from dataclasses import dataclass
from datetime import date

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters import numbers
from registry.models import Retrieval
from registry.queries.beliefs import Belief
from registry.queries.lab_day import LabDay, PileDay
from registry.science import fire_safety


@dataclass(frozen=True, slots=True)
class PileCard:
    """One pile: what is to do there, each as a sentence; `is_calm` when nothing is."""

    site: str
    site_code: str
    code: str
    first: str
    things: tuple[str, ...]
    is_calm: bool


@dataclass(frozen=True, slots=True)
class MissingRow:
    pk: int
    label: str
    pile: str
    date: str


@dataclass(frozen=True, slots=True)
class BeliefRow:
    pile: str
    site_code: str
    pile_code: str
    material: str
    material_code: str
    lost: str
    on: str
    looks: int
    missing: int
    left_out: int
    questions: int


def pile_card(day: PileDay, today: date) -> PileCard:
    things = [*_heat(day), *_bags(day, today), *_weighings(day), *_turning(day, today)]
    quiet = [*_later(day, today), *_questions(day)]
    return PileCard(
        site=day.pile.site.name,
        site_code=day.pile.site.code,
        code=day.pile.code,
        first=things[0] if things else _("Nothing to do today."),
        things=(*things[1:], *quiet),
        is_calm=not things,
    )


def _heat(day: PileDay) -> list[str]:
    if day.hottest_c is None or day.hottest_c < fire_safety.ACT_FROM_C:
        return []
    advice = fire_safety.ADVICE[fire_safety.fire_attention(day.hottest_c)]
    return [_("%(c).0f °C in the last days. %(advice)s") % {"c": day.hottest_c, "advice": advice}]


def _bags(day: PileDay, today: date) -> list[str]:
    said = []
    if day.overdue:
        since = (today - day.next_due_on).days if day.next_due_on else 0
        said.append(
            ngettext(
                "%(n)d bag is overdue, by up to %(days)d d: lift it.",
                "%(n)d bags are overdue, by up to %(days)d d: lift them.",
                day.overdue,
            )
            % {"n": day.overdue, "days": since}
        )
    if day.due_today:
        said.append(
            ngettext("%(n)d bag is due today.", "%(n)d bags are due today.", day.due_today)
            % {"n": day.due_today}
        )
    return said


def _weighings(day: PileDay) -> list[str]:
    if not day.missing:
        return []
    return [
        ngettext(
            "%(n)d look has no dry mass yet: weigh the residue.",
            "%(n)d looks have no dry mass yet: weigh the residues.",
            day.missing,
        )
        % {"n": day.missing}
    ]


def _turning(day: PileDay, today: date) -> list[str]:
    if day.next_turning_on is None or day.next_turning_on > today:
        return []
    return [
        _("By its own rhythm it was to be turned on %(day)s; last turned on %(last)s.")
        % {
            "day": numbers.long_day(day.next_turning_on),
            "last": numbers.long_day(day.last_turned_on or today),
        }
    ]


def _later(day: PileDay, today: date) -> list[str]:
    """What comes within the week, and the next turning."""
    said = []
    if day.due_this_week:
        said.append(
            ngettext("%(n)d bag more this week.", "%(n)d bags more this week.", day.due_this_week)
            % {"n": day.due_this_week}
        )
    elif day.next_due_on is not None and not day.bags_now:
        said.append(_("Next bags on %(day)s.") % {"day": numbers.long_day(day.next_due_on)})
    if day.last_turned_on is not None and not _turning(day, today):
        last = _("Last turned on %(day)s") % {"day": numbers.long_day(day.last_turned_on)}
        if day.next_turning_on is not None:
            said.append(
                _("%(last)s; by its own rhythm next on %(day)s.")
                % {"last": last, "day": numbers.long_day(day.next_turning_on)}
            )
        else:
            said.append(f"{last}.")
    return said


def _questions(day: PileDay) -> list[str]:
    if not day.questions:
        return []
    return [
        ngettext(
            "%(n)d question of the quality rules waits for a coordinator.",
            "%(n)d questions of the quality rules wait for a coordinator.",
            day.questions,
        )
        % {"n": day.questions}
    ]


def headline(day: LabDay) -> str:
    """The day in one sentence."""
    bags = sum(pile.bags_now for pile in day.piles)
    parts = []
    if bags:
        parts.append(ngettext("%(n)d bag to lift", "%(n)d bags to lift", bags) % {"n": bags})
    missing = sum(pile.missing for pile in day.piles)
    if missing:
        parts.append(
            ngettext("%(n)d residue to weigh", "%(n)d residues to weigh", missing) % {"n": missing}
        )
    if day.refused:
        n = len(day.refused)
        parts.append(ngettext("%(n)d file to mend", "%(n)d files to mend", n) % {"n": n})
    if not parts:
        return _("Nothing is overdue, nothing is missing.")
    return ", ".join(parts).capitalize() + "."


def missing_row(look: Retrieval) -> MissingRow:
    return MissingRow(
        pk=look.pk,
        label=look.bag.label,
        pile=look.bag.pile.code,
        date=numbers.long_day(look.retrieved_on),
    )


def belief_row(row: Belief) -> BeliefRow:
    return BeliefRow(
        pile=f"{row.pile.code}, {row.pile.site.name}",
        site_code=row.pile.site.code,
        pile_code=row.pile.code,
        material=row.material.name,
        material_code=row.material.code,
        # Never clipped: bags that weigh more than at the start show as less than nothing lost.
        lost=numbers.NONE if row.lost is None else f"{round(100 * row.lost)} %".replace("-", "−"),
        on=""
        if row.last_day is None
        else _("day %(day)d, %(bags)s")
        % {"day": row.last_day, "bags": numbers.counted_bags(row.n_bags)},
        looks=row.n_looks,
        missing=row.n_missing,
        left_out=row.n_left_out,
        questions=row.n_questions,
    )
