"""What was changed or deleted, by whom and from what, also past the registry's own ways."""

from functools import partial
from typing import Any

from django.http import HttpResponseBase
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request

from api.v1.authentication import known_actor
from api.v1.filters import Filter, checked
from api.v1.list_files import list_file, refuse_paging
from api.v1.pagination import ByCursor
from api.v1.streams import RENDERERS, wanted
from registry.errors import InvalidValue
from registry.permissions import HISTORY_NOUNS
from registry.queries.history import changes, history_rows


class FieldChangeOut(serializers.Serializer):
    field = serializers.CharField()
    old_value = serializers.CharField(allow_null=True)
    new_value = serializers.CharField(allow_null=True)


class ChangeOut(serializers.Serializer):
    id = serializers.IntegerField()
    noun = serializers.ChoiceField(choices=list(HISTORY_NOUNS))
    record = serializers.IntegerField(help_text="id of the row")
    change = serializers.ChoiceField(choices=["changed", "deleted"])
    at = serializers.DateTimeField()
    actor = serializers.CharField(help_text="blank when the change came past the registry")
    action = serializers.CharField(help_text="what was done")
    columns = FieldChangeOut(many=True, source="fields")


class _ByState(ByCursor):
    ordering = "-pgh_id"


FILTERS = {
    "noun": Filter("noun", "choice", tuple(HISTORY_NOUNS), "kind of record"),
    "record": Filter("record", "integer", meaning="id of the row"),
}


class History(GenericAPIView):
    serializer_class = ChangeOut
    pagination_class = _ByState
    renderer_classes = RENDERERS

    @extend_schema(
        tags=["quality"],
        summary="List changes and deletions, newest first",
        parameters=[
            OpenApiParameter("noun", str, required=True, enum=list(HISTORY_NOUNS)),
            OpenApiParameter("record", int, description="id of one row"),
        ],
        responses={200: ChangeOut(many=True)},
    )
    def get(self, request: Request) -> HttpResponseBase:
        actor = known_actor(request)
        asked: dict[str, Any] = checked(request, FILTERS)
        if "noun" not in asked:
            raise InvalidValue(f"noun is one of: {', '.join(HISTORY_NOUNS)}.", field="noun")
        rows = history_rows(actor, asked["noun"], asked.get("record"))
        told = partial(changes, asked["noun"])
        if (form := wanted(request)) != "json":
            refuse_paging(request)
            name = f"history-{asked['noun']}"
            return list_file(rows, ChangeOut, form, name, order=_ByState.ordering, records=told)
        page = self.paginate_queryset(rows)
        return self.get_paginated_response(self.get_serializer(told(page or []), many=True).data)
