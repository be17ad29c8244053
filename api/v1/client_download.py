"""The upload client, served as the one file it is."""

from pathlib import Path

from django.http import FileResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.views import APIView

CLIENT = Path(__file__).resolve().parent.parent / "client" / "coheap_client.py"


class ClientFile(APIView):
    @extend_schema(
        tags=["uploads"],
        summary="Download the upload client (one Python file, standard library only)",
        responses={(200, "text/x-python"): OpenApiTypes.STR},
    )
    def get(self, request: Request) -> FileResponse:
        return FileResponse(
            CLIENT.open("rb"),
            as_attachment=True,
            filename=CLIENT.name,
            content_type="text/x-python",
        )
