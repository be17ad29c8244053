"""The first faults of some refused files, enough to know what to mend."""

from collections.abc import Sequence

from django.db.models import F, Window
from django.db.models.functions import RowNumber

from registry.models import UploadFault

SHOWN_EACH = 3


def first_faults(upload_ids: Sequence[int]) -> dict[int, list[UploadFault]]:
    """Upload id → its first faults. One query."""
    rows = (
        UploadFault.objects.filter(upload__in=upload_ids)
        .annotate(place=Window(RowNumber(), partition_by=F("upload"), order_by=F("pk").asc()))
        .filter(place__lte=SHOWN_EACH)
        .order_by("upload", "pk")
    )
    found: dict[int, list[UploadFault]] = {}
    for fault in rows:
        found.setdefault(fault.upload_id, []).append(fault)
    return found
