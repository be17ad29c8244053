"""What was sent and what became of it, fault by fault."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters.vocabulary import REVIEW_STATES, UPLOAD_KINDS, UPLOAD_STATES, word
from registry.models import Upload, UploadFault, UploadState


@dataclass(frozen=True, slots=True)
class UploadLine:
    pk: int
    name: str
    kind: str
    state: str
    site: str
    outcome: str
    was_refused: bool
    fault_total: int
    review: str
    received_at: datetime


@dataclass(frozen=True, slots=True)
class FaultLine:
    """One fault; `row` is the data row, `line` the line of the CSV file."""

    row: str
    line: str
    field: str
    value: str | None
    message: str
    code: str


def upload_line(upload: Upload) -> UploadLine:
    return UploadLine(
        pk=upload.pk,
        name=upload.file_name or _("upload %(n)d") % {"n": upload.pk},
        kind=word(UPLOAD_KINDS, upload.kind),
        state=word(UPLOAD_STATES, upload.state),
        site=upload.site.name if upload.site else "",
        outcome=_outcome(upload),
        was_refused=upload.state == UploadState.REJECTED,
        fault_total=upload.error_total,
        review=word(REVIEW_STATES, upload.review) if upload.state == UploadState.STORED else "–",
        received_at=upload.received_at,
    )


def _outcome(upload: Upload) -> str:
    if upload.state == UploadState.REJECTED:
        return ngettext("%(n)d fault", "%(n)d faults", upload.error_total) % {
            "n": upload.error_total
        }
    if upload.state != UploadState.STORED:
        return ""
    new = ngettext("%(n)d new row", "%(n)d new rows", upload.created) % {"n": upload.created}
    if not upload.unchanged:
        return new
    return _("%(new)s, %(n)d stored before") % {"new": new, "n": upload.unchanged}


@dataclass(frozen=True, slots=True)
class RefusedFile:
    """A refused file with its first faults; `n_more` are on its own page."""

    pk: int
    name: str
    outcome: str
    received_at: datetime
    faults: tuple[FaultLine, ...]
    n_more: int


def refused_file(upload: Upload, faults: Sequence[UploadFault]) -> RefusedFile:
    line = upload_line(upload)
    return RefusedFile(
        pk=line.pk,
        name=line.name,
        outcome=f"{line.kind}: {line.outcome}",
        received_at=line.received_at,
        faults=tuple(fault_line(fault, {}) for fault in faults),
        n_more=max(0, upload.error_total - len(faults)),
    )


def fault_line(fault: UploadFault, lines: Mapping[int, int]) -> FaultLine:
    """`lines` leads from the data row to the line of the file, where that is known."""
    return FaultLine(
        row=_("whole file") if fault.row is None else str(fault.row),
        line="" if fault.row is None else str(lines.get(fault.row, "")),
        field=fault.field,
        value=fault.value,
        message=fault.message,
        code=fault.code,
    )
