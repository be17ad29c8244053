"""A file given back: as it was sent, or its rows with every fault beside them.

A refusal remembers the first thousand faults as they were told. What lies beyond is found again in
the body that is kept, by the same checks, against what is stored now.
"""

from collections.abc import Iterable, Iterator

from django.conf import settings

from registry.columns import UPLOAD_KINDS
from registry.errors import Fault, NotFound, RegistryError, UnreadableBody
from registry.intake import annotate, bodies
from registry.intake.body import CSV, format_of
from registry.intake.faults import FaultBook
from registry.intake.labels import Sender
from registry.intake.parse import read_fully
from registry.intake.pipeline import prepare
from registry.models import Upload
from registry.services.reviews import sender_of


def original(upload: Upload) -> bytes:
    """The body as it was sent; raises NotFound when the file is gone."""
    try:
        return bodies.read(upload.sha256)
    except FileNotFoundError:
        raise NotFound(f"The file of upload {upload.pk} is no longer kept.") from None


def annotated(upload: Upload) -> Iterator[str]:
    """Lines of a CSV: the sent rows in their order, then `fault_fields` and `fault_messages`.

    Raises NotFound when the body is no longer kept, UnreadableBody when it has no rows to write
    beside; both before the first line.
    """
    body, kind = original(upload), UPLOAD_KINDS[upload.kind]
    told = [
        Fault(row, field, code, message)
        for row, field, code, message in upload.faults.order_by("id").values_list(
            "row", "field", "code", "message"
        )
    ]
    faults = iter(told)
    if upload.error_total > len(told):
        faults = _with_the_others(told, _found_again(upload, body))
    return annotate.with_faults(body, format_of(upload.content_type), kind, faults)


def lines_of(upload: Upload, rows: Iterable[int | None]) -> dict[int, int]:
    """Data row → line of the sent CSV file; empty for other formats and when it cannot be told."""
    wanted = {row for row in rows if row}
    if not wanted or format_of(upload.content_type) != CSV:
        return {}
    try:
        found = annotate.row_lines(original(upload), UPLOAD_KINDS[upload.kind], max(wanted))
    except (NotFound, UnreadableBody):
        return {}
    return {row: found[row - 1] for row in wanted if row <= len(found)}


def _with_the_others(told: list[Fault], found: Iterator[Fault]) -> Iterator[Fault]:
    """What was told, and what was found again beyond it. Both are ordered by row."""
    yield from told
    last = told[-1].row or 0
    of_last = {(fault.field, fault.code) for fault in told if fault.row == last}
    for fault in found:
        row = fault.row or 0
        if row > last or (row == last and (fault.field, fault.code) not in of_last):
            yield fault


def _found_again(upload: Upload, body: bytes) -> Iterator[Fault]:
    book = FaultBook(most=None)
    kind, format_ = UPLOAD_KINDS[upload.kind], format_of(upload.content_type)
    try:
        table = read_fully(body, format_, kind, settings.MAX_UPLOAD_ROWS, book)
        prepare(table, book, Sender(sender_of(upload), upload.received_at), lock=False)
    except RegistryError:
        pass  # what was wrong stands in the book
    return book.every()
