"""A list view: visible rows, checked filters, pages by cursor. Every list is made from this."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.db.models import Model, QuerySet
from django.http import HttpResponseBase
from drf_spectacular.utils import extend_schema
from rest_framework.generics import GenericAPIView
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import Serializer

from api.v1 import filters
from api.v1.authentication import actor_of
from api.v1.filters import Filter
from api.v1.list_files import list_file, refuse_paging
from api.v1.streams import RENDERERS, wanted
from registry.models import Retrieval
from registry.permissions import visible_to
from registry.queries.observers import shown_observer


class VisibleRows(GenericAPIView):
    """Rows of `model` that exist for the caller."""

    model: ClassVar[type[Model]]
    serializer_class: type[Serializer]
    filters: ClassVar[Mapping[str, Filter]] = {}
    related: ClassVar[tuple[str, ...]] = ()
    prefetched: ClassVar[tuple[str, ...]] = ()

    def get_renderers(self) -> list[BaseRenderer]:
        """A file is an answer to GET only; what was stored is told as JSON."""
        reads = self.request is None or self.request.method in ("GET", "HEAD")
        return [made for made in super().get_renderers() if reads or made.format == "json"]

    def get_queryset(self) -> QuerySet[Any]:
        actor = actor_of(self.request)
        rows: QuerySet[Any] = visible_to(actor, self.model)
        if self.model is Retrieval:
            rows = rows.annotate(shown_observer=shown_observer(actor.sites(), actor.trials()))
        return rows.select_related(*self.related).prefetch_related(*self.prefetched)


class ListRows(VisibleRows):
    """A page as JSON; with `Accept: text/csv` or NDJSON, every row as a file."""

    renderer_classes = RENDERERS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        rows = filters.apply(self.get_queryset(), request, self.filters)
        if (form := wanted(request)) != "json":
            refuse_paging(request)
            return self.as_file(rows, form)
        page = self.paginate_queryset(rows)
        return self.get_paginated_response(self.get_serializer(page, many=True).data)

    def as_file(self, rows: QuerySet[Any], form: str) -> HttpResponseBase:
        name = self.request.path.rstrip("/").rpartition("/")[2]
        return list_file(rows, self.serializer_class, form, name)


class OneRow(VisibleRows):
    """One row by its id, or by the code people write."""

    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        return Response(self.get_serializer(self.get_object()).data)


def listed(summary: str, view: type[ListRows], tag: str) -> type[ListRows]:
    """Describe a list in the schema: its filters and its tag."""
    return extend_schema(
        summary=summary,
        tags=[tag],
        parameters=filters.parameters(view.filters),
        responses={200: view.serializer_class(many=True)},
        methods=["GET"],
    )(view)
