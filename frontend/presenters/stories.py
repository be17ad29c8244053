"""What happened, as sentences: when, who, what, and why."""

from dataclasses import dataclass
from datetime import datetime

from django.utils.translation import gettext as _

from frontend.presenters.vocabulary import (
    FLAG_KINDS,
    LOOK_FIELDS,
    LOOK_OUTCOMES,
    UNITS,
    UPLOAD_KINDS,
    word,
)
from registry.columns import RETRIEVALS
from registry.models import Correction, Flag, Retrieval, Upload
from registry.queries.history import Change
from registry.queries.record_story import RecordStory

_UNIT = {column.name: column.unit for column in RETRIEVALS.columns}


@dataclass(frozen=True, slots=True)
class StoryLine:
    """One thing that happened; `reason` is what the person wrote."""

    at: datetime
    who: str
    what: str
    reason: str = ""


def story_lines(story: RecordStory) -> list[StoryLine]:
    """Newest first."""
    lines = [
        *(_sent(upload, record) for upload, record in story.uploads),
        *(correction_line(correction) for correction in story.corrections),
        *(_changed(change) for change in story.changes),
        *(_asked(flag) for flag in story.flags),
        *(line for change in story.decisions for line in _decided(change, story.flags)),
    ]
    return sorted(lines, key=lambda line: line.at, reverse=True)


def correction_line(correction: Correction) -> StoryLine:
    told = {
        "look": _look(correction.retrieval),
        "field": word(LOOK_FIELDS, correction.field),
        "old": field_value(correction.field, correction.old_value),
        "new": field_value(correction.field, correction.new_value),
    }
    return StoryLine(
        at=correction.made_at,
        who=str(correction.made_by_user or correction.made_by_token or ""),
        what=_("%(look)s: corrected %(field)s from %(old)s to %(new)s") % told,
        reason=correction.reason,
    )


def field_value(field: str, value: object) -> str:
    """A stored value with its unit, in words where it is a code."""
    if value is None or value == "":
        return _("empty")
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if field == "outcome":
        return word(LOOK_OUTCOMES, str(value))
    unit = _UNIT.get(field, "")
    return f"{value} {word(UNITS, unit)}" if unit else str(value)


def _look(look: Retrieval) -> str:
    return _("Look at %(bag)s on %(day)s") % {"bag": look.bag.label, "day": look.retrieved_on}


def _sent(upload: Upload, record: object) -> StoryLine:
    told = {
        "kind": word(UPLOAD_KINDS, upload.kind),
        "row": getattr(record, "upload_row", None) or "–",
        "file": upload.file_name or _("upload %(n)d") % {"n": upload.pk},
    }
    return StoryLine(
        at=upload.received_at,
        who=str(upload.user or upload.token or ""),
        what=_("%(kind)s: sent as row %(row)s of %(file)s") % told,
    )


def _changed(change: Change) -> StoryLine:
    fields = ", ".join(
        _("%(field)s from %(old)s to %(new)s")
        % {
            "field": word(LOOK_FIELDS, field.field),
            "old": field_value(field.field, field.old_value),
            "new": field_value(field.field, field.new_value),
        }
        for field in change.fields
    )
    verb = _("Deleted") if change.change == "deleted" else _("Changed: %(f)s") % {"f": fields}
    who = change.actor or _("somebody with the database itself")
    return StoryLine(at=change.at, who=who, what=verb, reason=change.action)


def _asked(flag: Flag) -> StoryLine:
    what = f"{word(FLAG_KINDS, flag.code)}: {flag.message}"
    return StoryLine(at=flag.raised_at, who=_("The quality rules"), what=what)


def _decided(change: Change, flags: tuple[Flag, ...]) -> list[StoryLine]:
    moved = {field.field: field.new_value for field in change.fields}
    flag = next((flag for flag in flags if flag.pk == change.record), None)
    if "decision" not in moved or flag is None:
        return []
    verbs = {
        "accept": _("accepted"),
        "exclude": _("excluded from pooling"),
        "withdrawn": _("withdrawn, since the data no longer show it"),
        "waiting": _("asked again, since the numbers changed"),
    }
    verb = verbs.get(moved["decision"] or "", "")
    what = f"{word(FLAG_KINDS, flag.code)}: {verb}"
    who = change.actor or _("The quality rules")
    return [StoryLine(at=change.at, who=who, what=what, reason=moved.get("reason") or "")]
