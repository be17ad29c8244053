"""What became of each bulk submission, with its faults row by row."""

from typing import Any

from rest_framework import serializers

from api.v1.errors import fault_out
from api.v1.filters import Filter
from api.v1.listing import ListRows, OneRow, listed
from registry.columns import KIND_NAMES
from registry.models import Upload, UploadState


class FaultOut(serializers.Serializer):
    row = serializers.IntegerField(allow_null=True, help_text="data row from 1 (line 2 of a CSV)")
    field = serializers.CharField()
    code = serializers.CharField(help_text="permanent")
    message = serializers.CharField()
    value = serializers.CharField(allow_null=True)


class ProblemOut(serializers.Serializer):
    """RFC 9457 problem details."""

    type = serializers.URLField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    code = serializers.CharField(help_text="permanent")
    error_total = serializers.IntegerField(required=False)
    # A serializer's own `errors` has the same name; on the outside it is the contract's word.
    errors = FaultOut(many=True, required=False)  # type: ignore[assignment]


class UploadOut(serializers.Serializer):
    id = serializers.IntegerField(allow_null=True, help_text="null for a dry run")
    kind = serializers.ChoiceField(choices=KIND_NAMES)
    state = serializers.ChoiceField(choices=UploadState.values)
    rows = serializers.IntegerField()
    created = serializers.IntegerField()
    unchanged = serializers.IntegerField()
    sha256 = serializers.CharField()
    file_name = serializers.CharField()
    site = serializers.CharField(source="site.code", default=None, allow_null=True)
    received_at = serializers.DateTimeField(allow_null=True)
    finished_at = serializers.DateTimeField(allow_null=True)
    error_total = serializers.IntegerField()


class UploadWithFaultsOut(UploadOut):
    errors = serializers.SerializerMethodField()  # type: ignore[assignment]

    def get_errors(self, upload: Upload) -> list[dict[str, Any]]:
        return [fault_out(fault) for fault in upload.faults.all()]


class _Uploads(ListRows):
    model = Upload
    related = ("site",)
    serializer_class = UploadOut
    filters = {
        "kind": Filter("kind", "choice", KIND_NAMES, "what was sent"),
        "state": Filter("state", "choice", tuple(UploadState.values), "what became of it"),
        "site": Filter("site__code", meaning="code of the site"),
        "sha256": Filter("sha256", meaning="of the body as sent"),
    }


Uploads = listed("List uploads", _Uploads, "uploads")


class OneUpload(OneRow):
    model = Upload
    related = ("site",)
    prefetched = ("faults",)
    serializer_class = UploadWithFaultsOut
