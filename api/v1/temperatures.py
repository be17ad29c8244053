"""Temperature readings: kept as one row per probe and day, sent and shown one by one."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, time, timedelta
from typing import Any

from django.http import HttpResponseBase
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.v1.authentication import actor_of
from api.v1.bodies import RawBody
from api.v1.filters import Filter, apply, parameters
from api.v1.list_files import refuse_paging
from api.v1.listing import VisibleRows
from api.v1.records import described, receive
from api.v1.streams import RENDERERS, stream, wanted
from registry.columns import TEMPERATURES
from registry.errors import InvalidValue
from registry.models import ProbeDay
from registry.permissions import Actor
from registry.queries.export_rows import extract
from registry.services import uploads
from registry.services.idempotency import Answer

DEFAULT_PAGE = 100
LARGEST_PAGE = 1000


class ReadingOut(serializers.Serializer):
    site = serializers.CharField()
    pile = serializers.CharField()
    probe = serializers.CharField()
    measured_at = serializers.DateTimeField(help_text="UTC")
    temperature_c = serializers.FloatField()


class PageOfReadings(serializers.Serializer):
    next = serializers.URLField(allow_null=True)
    previous = serializers.URLField(allow_null=True)
    results = ReadingOut(many=True)


READING_FILTERS = {
    "site": Filter("pile__site__code", meaning="code of the site"),
    "pile": Filter("pile__code", meaning="code of the pile"),
    "probe": Filter("probe", meaning="code of the probe"),
    "day": Filter("day", "date", meaning="UTC day"),
}


class Temperatures(VisibleRows):
    model = ProbeDay
    related = ("pile__site",)
    parser_classes = [RawBody]
    serializer_class = ReadingOut
    pagination_class = None
    filters = READING_FILTERS
    renderer_classes = RENDERERS

    @extend_schema(
        tags=["records"],
        summary="List temperature readings",
        parameters=[
            *parameters(READING_FILTERS),
            OpenApiParameter("page_size", int),
            OpenApiParameter("cursor", str),
        ],
        responses={200: PageOfReadings},
    )
    def get(self, request: Request) -> HttpResponseBase:
        days = apply(self.get_queryset(), request, self.filters)
        if (form := wanted(request)) != "json":
            refuse_paging(request)
            rows = extract("temperatures", days, actor_of(request))
            return stream(rows, form, "temperatures")
        size = _page_size(request)
        day_id, skip = _cursor(request)
        days = days.filter(id__gte=day_id).order_by("id")
        readings = list(_take(days.iterator(chunk_size=100), skip, size + 1))
        following = readings[size][0] if len(readings) > size else None
        return Response(
            {
                "next": _link(request, following),
                "previous": None,
                "results": ReadingOut([reading for _, reading in readings[:size]], many=True).data,
            }
        )

    def post(self, request: Request) -> Response:
        return receive(request, TEMPERATURES, _one)


def _one(values: Mapping[str, Any], actor: Actor) -> Answer:
    day, created = uploads.submit_one(kind="temperatures", values=values, by=actor)
    return Answer(201 if created else 200, {**values, "probe_day": day.pk})


def _take(
    days: Iterator[ProbeDay], skip: int, limit: int
) -> Iterator[tuple[tuple[int, int], dict[str, Any]]]:
    """Readings with their positions (probe-day, index), from `skip` in the first day on."""
    taken = 0
    for day in days:
        midnight = datetime.combine(day.day, time(), tzinfo=UTC)
        for index in range(skip, day.count):
            yield (
                (day.pk, index),
                {
                    "site": day.pile.site.code,
                    "pile": day.pile.code,
                    "probe": day.probe,
                    "measured_at": midnight + timedelta(seconds=day.seconds[index]),
                    "temperature_c": day.celsius[index],
                },
            )
            taken += 1
            if taken == limit:
                return
        skip = 0


def _page_size(request: Request) -> int:
    sent = request.query_params.get("page_size", str(DEFAULT_PAGE))
    if not (sent.isascii() and sent.isdigit() and 1 <= int(sent) <= LARGEST_PAGE):
        raise InvalidValue(f"page_size is 1 to {LARGEST_PAGE}.", field="page_size")
    return int(sent)


def _cursor(request: Request) -> tuple[int, int]:
    day, _, index = request.query_params.get("cursor", "0-0").partition("-")
    if not (day.isascii() and day.isdigit() and index.isascii() and index.isdigit()):
        raise InvalidValue("cursor is taken from a `next` link.", field="cursor")
    if len(day) > 18 or len(index) > 6:
        raise InvalidValue("cursor is taken from a `next` link.", field="cursor")
    return int(day), int(index)


def _link(request: Request, position: tuple[int, int] | None) -> str | None:
    if position is None:
        return None
    params = request.query_params.copy()
    params["cursor"] = f"{position[0]}-{position[1]}"
    return request.build_absolute_uri(f"{request.path}?{params.urlencode()}")


TemperatureList = described(Temperatures, TEMPERATURES, ReadingOut)
