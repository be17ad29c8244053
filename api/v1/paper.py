"""What a lab prints: labels of its bags, and the sheets to fill in at the piles."""

from typing import Any

from django.conf import settings
from django.http import HttpResponse, HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.views import APIView

from api.v1.authentication import known_actor
from api.v1.filters import Filter, checked, parameters
from api.v1.streams import AsTheFileIs
from registry.errors import InvalidValue
from registry.paper.labels import SIZES, bag_labels
from registry.paper.retrieval_sheet import retrieval_sheets
from registry.queries.completeness import still_buried
from registry.queries.printed_bags import chosen_bags, labels_of, sheets_of

BAGS = {
    "trial": Filter("", meaning="code of the trial; required"),
    "site": Filter("", meaning="code of the site"),
    "pile": Filter("", meaning="code of the pile"),
    "bag_label": Filter("", meaning="labels of chosen bags, separated by commas"),
    "material": Filter("", meaning="code of the material"),
    "planned_days": Filter("", "integer", meaning="bags planned for this day"),
}
OF_LABELS = BAGS | {
    "size": Filter("", "choice", SIZES, "sheet (14 on A4, when not given) or strip, one a page")
}
PDF = {(200, "application/pdf"): OpenApiTypes.BINARY}


class Labels(APIView):
    content_negotiation_class = AsTheFileIs

    @extend_schema(
        tags=["paper"],
        summary="Labels of your bags as PDF, each with a QR code",
        parameters=parameters(OF_LABELS),
        responses=PDF,
    )
    def get(self, request: Request) -> HttpResponseBase:
        actor = known_actor(request)
        asked = _asked(request, OF_LABELS)
        size = asked.pop("size", SIZES[0])
        labels = labels_of(chosen_bags(actor, **asked))
        made = bag_labels(labels, base_url=settings.BASE_URL, size=size)
        return pdf(made, f"labels-{asked['trial']}")


class RetrievalSheets(APIView):
    content_negotiation_class = AsTheFileIs

    @extend_schema(
        tags=["paper"],
        summary="Sheets to fill in at the piles as PDF: bags still buried, by pile and planned day",
        parameters=parameters(BAGS),
        responses=PDF,
    )
    def get(self, request: Request) -> HttpResponseBase:
        actor = known_actor(request)
        asked = _asked(request, BAGS)
        sheets = sheets_of(still_buried(chosen_bags(actor, **asked)))
        return pdf(retrieval_sheets(sheets), f"retrieval-{asked['trial']}")


def pdf(made: bytes, name: str) -> HttpResponse:
    return HttpResponse(
        made,
        content_type="application/pdf",
        headers={
            "Content-Disposition": f'inline; filename="{name}.pdf"',
            "X-Content-Type-Options": "nosniff",
            "Cache-Control": "private, no-store",
        },
    )


def _asked(request: Request, filters: dict[str, Filter]) -> dict[str, Any]:
    asked = checked(request, filters)
    if "trial" not in asked:
        raise InvalidValue("Name the trial: ?trial=CODE.", field="trial")
    return asked
