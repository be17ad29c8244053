"""The upload client, served as the one file it is."""

from pathlib import Path

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.views import APIView

from api.v1.streams import AsTheFileIs

CLIENT = Path(__file__).resolve().parent.parent / "client" / "coheap_client.py"


class ClientFile(APIView):
    content_negotiation_class = AsTheFileIs

    @extend_schema(
        tags=["uploads"],
        summary="Download the upload client (one Python file, standard library only)",
        responses={(200, "text/x-python"): OpenApiTypes.STR},
    )
    def get(self, request: Request) -> HttpResponse:
        return HttpResponse(
            CLIENT.read_bytes(),
            content_type="text/x-python",
            headers={"Content-Disposition": f'attachment; filename="{CLIENT.name}"'},
        )
