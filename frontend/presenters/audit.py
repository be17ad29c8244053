"""Deeds as sentences: who did what, and why."""

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from frontend.presenters.vocabulary import (
    FLAG_DECISIONS,
    FLAG_KINDS,
    LOOK_FIELDS,
    TRIAL_STATES,
    UPLOAD_KINDS,
    Words,
    word,
)
from registry.models import AuditEvent

KIND_WORDS: Words = {
    "data": gettext_lazy("Data"),
    "quality": gettext_lazy("Quality"),
    "results": gettext_lazy("Pooling and releases"),
    "people": gettext_lazy("People"),
    "trial": gettext_lazy("The trial itself"),
}
# Summaries are written once, in English, for ever; these read the parts of the commonest ones.
_UPLOAD = re.compile(r"Upload (\d+): (\d+) (\w+) new, (\d+) unchanged")
_REVIEW = re.compile(r"Quality rules: (\d+) flags raised, (\d+) withdrawn")
_DECISION = re.compile(r"Flag (\d+) (\w+) → (\w+): (.*)", re.DOTALL)
_CORRECTION = re.compile(r"(.+) on (\d{4}-\d\d-\d\d): (\w+): (.*)", re.DOTALL)
_MOVE = re.compile(r".+: (\w+) → (\w+)\. (.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Deed:
    """`flag`, `upload` are ids to follow, where the deed has one."""

    at: datetime
    who: str
    what: str
    reason: str = ""
    flag: int | None = None
    upload: int | None = None


def deed(event: AuditEvent) -> Deed:
    told = _READERS.get(event.action, _as_written)(event.summary) or _as_written(event.summary)
    return Deed(at=event.happened_at, who=_who(event), **told)


def _who(event: AuditEvent) -> str:
    token = event.token
    if token is not None and token.site is not None:
        return _("The lab of %(site)s") % {"site": token.site.name}
    return str(event.user or token or _("Who runs the registry"))


def _as_written(summary: str) -> dict[str, Any]:
    return {"what": summary}


def _upload(summary: str) -> dict[str, Any]:
    found = _UPLOAD.fullmatch(summary)
    if found is None:
        return {}
    pk, new, kind, same = found.groups()
    told = {"kind": word(UPLOAD_KINDS, kind).lower(), "new": new, "same": same}
    what = _("sent %(new)s rows of %(kind)s") % told
    if same != "0":
        what = _("sent %(new)s new rows of %(kind)s, and %(same)s stored before") % told
    return {"what": what, "upload": int(pk)}


def _review(summary: str) -> dict[str, Any]:
    found = _REVIEW.fullmatch(summary)
    if found is None:
        return {}
    told = {"raised": found[1], "withdrawn": found[2]}
    what = _("the quality rules then asked %(raised)s questions and withdrew %(withdrawn)s")
    return {"what": what % told}


def _decision(summary: str) -> dict[str, Any]:
    found = _DECISION.fullmatch(summary)
    if found is None:
        return {}
    pk, code, decision, reason = found.groups()
    told = {"decision": word(FLAG_DECISIONS, decision), "kind": word(FLAG_KINDS, code)}
    what = _("%(decision)s what a rule had found: %(kind)s") % told
    return {"what": what, "reason": reason, "flag": int(pk)}


def _correction(summary: str) -> dict[str, Any]:
    found = _CORRECTION.fullmatch(summary)
    if found is None:
        return {}
    bag, day, field, reason = found.groups()
    told = {"bag": bag, "day": day, "field": word(LOOK_FIELDS, field)}
    what = _("corrected the look at %(bag)s on %(day)s: %(field)s") % told
    return {"what": what, "reason": reason}


def _move(summary: str) -> dict[str, Any]:
    found = _MOVE.fullmatch(summary)
    if found is None:
        return {}
    before, after = (word(TRIAL_STATES, state) for state in found.groups()[:2])
    what = _("moved the trial from “%(before)s” to “%(after)s”")
    return {"what": what % {"before": before, "after": after}, "reason": found[3]}


_READERS = {
    "upload_stored": _upload,
    "flags_reviewed": _review,
    "flag_decided": _decision,
    "look_corrected": _correction,
    "trial_moved": _move,
}
