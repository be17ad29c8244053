"""A trial at a glance, in words: its piles, and what waits for a worker."""

from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters import numbers
from frontend.presenters.vocabulary import GATES, PILE_HEATS, word
from registry.queries.pile_glance import PileGlance
from registry.queries.work_waiting import WorkWaiting


@dataclass(frozen=True, slots=True)
class PileRow:
    site: str
    site_name: str
    code: str
    heat: str
    coverage: str
    stays: str
    goes: str
    bags: str
    in_doubt: bool


@dataclass(frozen=True, slots=True)
class WorkSentence:
    """`advice` is blank while the worker keeps up."""

    said: str
    advice: str


def pile_row(pile: PileGlance) -> PileRow:
    gates = pile.gates
    return PileRow(
        site=pile.site,
        site_name=pile.site_name,
        code=pile.code,
        heat=word(PILE_HEATS, pile.heat_class),
        coverage="–" if pile.coverage_pct is None else f"{pile.coverage_pct:.0f} %",
        stays=_gate(gates.negative, gates.negative_remaining) if gates else word(GATES, ""),
        goes=_gate(gates.positive, gates.positive_remaining) if gates else word(GATES, ""),
        bags=_bags(pile),
        in_doubt=pile.is_in_doubt,
    )


def heat_sentence(piles: list[PileGlance]) -> str:
    """ "Of 12 piles 8 are hot, 3 warm, 1 of unknown heat." """
    counted = [
        (_("hot: %(n)d"), "hot"),
        (_("warm: %(n)d"), "warm"),
        (_("cool: %(n)d"), "cool"),
        (_("heat not known: %(n)d"), "unknown"),
    ]
    told = [
        text % {"n": n}
        for text, name in counted
        if (n := sum(pile.heat_class == name for pile in piles))
    ]
    return ", ".join(told)


def work_sentence(work: WorkWaiting) -> WorkSentence:
    if not work.n:
        if not work.n_running:
            return WorkSentence(_("No work waits for a worker."), "")
        return WorkSentence(_("The worker is busy, and nothing else waits."), "")
    told = ngettext("%(n)d piece of work waits", "%(n)d pieces of work wait", work.n) % {
        "n": work.n
    }
    age = duration(work.age.total_seconds())
    said = _("%(told)s for a worker, the oldest for %(age)s.") % {"told": told, "age": age}
    if not work.is_behind:
        return WorkSentence(said, "")
    if work.n_running:
        return WorkSentence(
            said,
            _(
                "The worker is behind: it has other work in hand. Nothing is lost, and what waits "
                "begins by itself; more workers can be started beside it."
            ),
        )
    return WorkSentence(
        said,
        _(
            "The worker is behind, or none is running. Nothing is lost, and what waits begins by "
            "itself once one runs. Whoever runs the registry starts it with “coheap worker”, or "
            "starts “coheap serve” again."
        ),
    )


def duration(seconds: float) -> str:
    if seconds < 90:
        return _("%(n)d seconds") % {"n": round(seconds)}
    if seconds < 90 * 60:
        return _("%(n)d minutes") % {"n": round(seconds / 60)}
    if seconds < 36 * 3600:
        return _("%(n)d hours") % {"n": round(seconds / 3600)}
    return _("%(n)d days") % {"n": round(seconds / 86400)}


def _gate(gate: str, remaining: float | None) -> str:
    said = word(GATES, gate)
    if remaining is None:
        return said
    left = numbers.percent(remaining)
    return _("%(said)s (%(left)s left)") % {"said": said, "left": left}


def _bags(pile: PileGlance) -> str:
    parts = [numbers.counted_bags(pile.n_bags)]
    if pile.n_lost:
        parts.append(_("%(n)d lost") % {"n": pile.n_lost})
    if pile.n_damaged:
        parts.append(_("%(n)d torn") % {"n": pile.n_damaged})
    return ", ".join(parts)
