"""Refused uploads are remembered with their faults, for whoever must mend the file."""

from django.db import transaction
from django.utils import timezone

from registry.errors import Fault, RegistryError
from registry.models import Upload, UploadFault, UploadState


def remember(upload: Upload, error: RegistryError) -> int:
    """Save a draft as a rejected upload, outside of what was rolled back; returns its id."""
    with transaction.atomic():
        upload.state, upload.finished_at = UploadState.REJECTED, timezone.now()
        upload.error_total = max(error.fault_total, 1)
        upload.rows = error.rows_sent or 0
        upload.save()
        _save_faults(upload.pk, error)
    return upload.pk


def reject(upload_id: int, error: RegistryError) -> None:
    """Mark a queued upload as refused; only the first of two workers writes its faults."""
    with transaction.atomic():
        mine = Upload.objects.filter(pk=upload_id, state=UploadState.RUNNING).update(
            state=UploadState.REJECTED,
            finished_at=timezone.now(),
            error_total=max(error.fault_total, 1),
            rows=error.rows_sent or 0,
        )
        if mine:
            _save_faults(upload_id, error)


def _save_faults(upload_id: int, error: RegistryError) -> None:
    faults = error.faults or [Fault(None, error.field, error.code, error.message)]
    UploadFault.objects.bulk_create(
        UploadFault(
            upload_id=upload_id,
            row=fault.row,
            field=fault.field[:60],
            code=fault.code,
            message=fault.message[:500],
            value=fault.value,
        )
        for fault in faults
    )
