"""What moved since the last run, by how much, and which data caused it."""

from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters import numbers
from frontend.presenters.flags import flag_line
from frontend.presenters.pooled import outcome_words
from frontend.presenters.stories import correction_line
from frontend.presenters.vocabulary import MODELS, UPLOAD_KINDS, word
from registry.queries.run_changes import Causes, Moved, RunChanges

DIGITS = 3
# On a page; the API and the audit trail have them all.
MOST_LISTED = 40


@dataclass(frozen=True, slots=True)
class MovedRow:
    code: str
    material: str
    what: str
    before: str
    now: str
    change: str
    in_errors: str
    because: str


@dataclass(frozen=True, slots=True)
class ChangesPage:
    """`causes` are sentences; `corrections` and `decisions` name the looks."""

    previous: int
    summary: str
    causes: tuple[str, ...]
    moved: tuple[MovedRow, ...]
    corrections: tuple[tuple[int, str, str], ...]
    decisions: tuple[tuple[int, str, str], ...]


def changes_page(found: RunChanges | None) -> ChangesPage | None:
    if found is None:
        return None
    causes = found.causes
    switched = [
        *((flag, _("excluded")) for flag in causes.excluded),
        *((flag, _("taken back in")) for flag in causes.taken_back),
    ]
    return ChangesPage(
        previous=found.previous.pk,
        summary=_summary(found),
        causes=tuple(_cause_sentences(causes)),
        moved=tuple(_moved_row(row, causes) for row in found.moved[:MOST_LISTED]),
        corrections=tuple(
            (one.retrieval_id, correction_line(one).what, one.reason)
            for one in causes.corrections[:MOST_LISTED]
        ),
        decisions=tuple(
            (flag.pk, f"{flag_line(flag).subject}: {verb}", flag.reason)
            for flag, verb in switched[:MOST_LISTED]
        ),
    )


def _summary(found: RunChanges) -> str:
    n = len(found.moved)
    moved = ngettext("%(n)d estimate moved", "%(n)d estimates moved", n) % {"n": n}
    told = {"moved": moved, "same": found.n_unmoved, "new": len(found.appeared)}
    if found.vanished:
        told["gone"] = len(found.vanished)
        return _("%(moved)s, %(same)d did not, %(new)d are new, %(gone)d are gone.") % told
    return _("%(moved)s, %(same)d did not, %(new)d are new.") % told


def _cause_sentences(causes: Causes) -> list[str]:
    said = [
        _("%(kind)s: %(rows)d new rows in %(n)d uploads.")
        % {"kind": word(UPLOAD_KINDS, kind), "rows": rows, "n": n}
        for kind, n, rows in causes.uploads
    ]
    counted = (
        (_("Corrected values: %(n)d."), len(causes.corrections)),
        (_("Exclusions decided: %(n)d."), len(causes.excluded)),
        (_("Exclusions taken back: %(n)d."), len(causes.taken_back)),
    )
    said += [sentence % {"n": n} for sentence, n in counted if n]
    if causes.model_changed:
        said.append(_("The model has a newer version, so estimates may move without new data."))
    if causes.trial_changed:
        said.append(_("The trial itself was changed, such as its materials or its main day."))
    return said or [_("No data came in between.")]


def _moved_row(row: Moved, causes: Causes) -> MovedRow:
    now, before = row.now, row.before
    return MovedRow(
        code=now.material.code,
        material=now.material.name,
        what=f"{outcome_words(now)}; {word(MODELS, now.model)}",
        before=numbers.significant(before.estimate, DIGITS),
        now=numbers.significant(now.estimate, DIGITS),
        change=_percent(before.estimate, now.estimate),
        in_errors="–" if row.in_errors is None else f"{row.in_errors:+.2f}".replace("-", "−"),
        because=_because(causes, now.material_id),
    )


def _percent(before: float | None, now: float | None) -> str:
    if not before or now is None:
        return numbers.NONE
    return f"{100 * (now / before - 1):+.2g} %".replace("-", "−")


def _because(causes: Causes, material: int) -> str:
    """What of this very material changed; materials share variances, so "others" may move it."""
    new, corrected, switched = causes.looks_of(material)
    parts = (
        (_("%(n)d new looks"), new),
        (_("%(n)d corrected"), corrected),
        (_("%(n)d excluded or taken back"), switched),
    )
    told = [part % {"n": n} for part, n in parts if n]
    return ", ".join(told) or _("only other materials’ data or the piles’ heat")
