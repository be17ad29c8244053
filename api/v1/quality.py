"""Findings on looks, the decisions on them, and corrections of stored measurements."""

from typing import Any

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.generics import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.v1.authentication import actor_of, known_actor
from api.v1.filters import Filter
from api.v1.listing import ListRows, listed
from api.v1.shapes import record_out
from registry.columns import RETRIEVALS
from registry.errors import StaleVersion
from registry.models import Correction, Flag, FlagDecision, Retrieval
from registry.permissions import visible_to
from registry.services import quality

RetrievalOut = record_out(RETRIEVALS)


class FlagOut(serializers.Serializer):
    id = serializers.IntegerField()
    retrieval = serializers.IntegerField(source="retrieval_id")
    trial = serializers.CharField(source="retrieval.bag.trial.code")
    bag_label = serializers.CharField(source="retrieval.bag.label")
    code = serializers.CharField()
    rule_version = serializers.IntegerField()
    message = serializers.CharField()
    decision = serializers.ChoiceField(choices=FlagDecision.values)
    reason = serializers.CharField()
    raised_at = serializers.DateTimeField()
    decided_at = serializers.DateTimeField(allow_null=True)


class DecisionIn(serializers.Serializer):
    decision = serializers.ChoiceField(choices=[FlagDecision.ACCEPT, FlagDecision.EXCLUDE])
    reason = serializers.CharField(max_length=500)


class CorrectionOut(serializers.Serializer):
    id = serializers.IntegerField()
    retrieval = serializers.IntegerField(source="retrieval_id")
    field = serializers.CharField()
    old_value = serializers.CharField()
    new_value = serializers.CharField()
    reason = serializers.CharField()
    made_at = serializers.DateTimeField()


class CorrectionIn(serializers.Serializer):
    field = serializers.ChoiceField(choices=quality.CORRECTABLE)
    value = serializers.JSONField(allow_null=True, help_text="null empties the field")
    reason = serializers.CharField(max_length=500)


class _Flags(ListRows):
    model = Flag
    related = ("retrieval__bag__trial",)
    serializer_class = FlagOut
    filters = {
        "trial": Filter("retrieval__bag__trial__code", meaning="code of the trial"),
        "code": Filter("code", meaning="which rule"),
        "decision": Filter("decision", "choice", tuple(FlagDecision.values), "decided how"),
        "retrieval": Filter("retrieval_id", "integer", meaning="id of the look"),
    }


Flags = listed("List flags", _Flags, "quality")


class _Corrections(ListRows):
    model = Correction
    serializer_class = CorrectionOut
    filters = {
        "retrieval": Filter("retrieval_id", "integer", meaning="id of the look"),
        "trial": Filter("retrieval__bag__trial__code", meaning="code of the trial"),
    }


Corrections = listed("List corrections", _Corrections, "quality")


class DecideFlag(APIView):
    @extend_schema(
        tags=["quality"],
        summary="Accept or exclude a flagged look",
        request=DecisionIn,
        responses={200: FlagOut},
    )
    def post(self, request: Request, pk: int) -> Response:
        actor = known_actor(request)
        body = DecisionIn(data=request.data)
        body.is_valid(raise_exception=True)
        rows = visible_to(actor, Flag).select_related("retrieval__bag__trial")
        flag = quality.decide_flag(
            flag=get_object_or_404(rows, pk=pk), by=actor, **body.validated_data
        )
        return Response(FlagOut(flag).data)


class CorrectRetrieval(APIView):
    @extend_schema(
        tags=["quality"],
        summary="Correct a stored measurement, with a reason",
        parameters=[
            OpenApiParameter(
                "If-Match", str, OpenApiParameter.HEADER, description="ETag of the look as read"
            )
        ],
        request=CorrectionIn,
        responses={201: CorrectionOut},
    )
    def post(self, request: Request, pk: int) -> Response:
        actor = known_actor(request)
        body = CorrectionIn(data=request.data)
        body.is_valid(raise_exception=True)
        look = get_object_or_404(_looks(actor), pk=pk)
        correction = quality.correct_retrieval(
            retrieval=look, by=actor, seen_revision=_seen(request, look), **body.validated_data
        )
        return Response(CorrectionOut(correction).data, status=201)


class OneRetrieval(APIView):
    @extend_schema(tags=["records"], summary="One look", responses={200: RetrievalOut})
    def get(self, request: Request, pk: int) -> Response:
        look = get_object_or_404(_looks(actor_of(request)), pk=pk)
        return Response(RetrievalOut(look).data, headers={"ETag": etag(look)})


def etag(look: Retrieval) -> str:
    return f'"look-{look.pk}-{look.revision}"'


def _looks(actor: Any) -> Any:
    return visible_to(actor, Retrieval).select_related(
        "bag__trial", "bag__pile__site", "bag__material"
    )


def _seen(request: Request, look: Retrieval) -> int | None:
    """The revision the caller has read, by `If-Match`; None when they did not say."""
    sent = request.headers.get("If-Match", "").strip()
    if sent in ("", "*"):
        return None
    for revision in range(1, look.revision + 1):
        if sent == f'"look-{look.pk}-{revision}"':
            return revision
    raise StaleVersion("The ETag in If-Match is not one of this look; read it again.")
