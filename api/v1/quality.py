"""Findings, the decisions on them, and corrections of stored measurements."""

from typing import Any

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.generics import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.v1.authentication import actor_of, known_actor
from api.v1.filters import Filter
from api.v1.listing import ListRows, OneRow, listed
from api.v1.shapes import record_out
from api.v1.uploads import ProblemOut
from registry.columns import RETRIEVALS
from registry.errors import StaleVersion
from registry.models import Correction, Flag, FlagDecision, Retrieval
from registry.permissions import visible_to
from registry.science.quality_rules import CODES
from registry.services import quality

RetrievalOut = record_out(RETRIEVALS)


class EvidenceOut(serializers.Serializer):
    """Numbers behind a finding, all in `unit`."""

    unit = serializers.CharField(help_text="UCUM")
    found = serializers.FloatField(allow_null=True)
    limit_low = serializers.FloatField(allow_null=True, help_text="least that would have passed")
    limit_high = serializers.FloatField(allow_null=True, help_text="most that would have passed")
    compared_with = serializers.FloatField(allow_null=True, help_text="median, plan or neighbour")
    n_compared = serializers.IntegerField(allow_null=True, help_text="how many that one rests on")
    from_at = serializers.DateTimeField(allow_null=True)
    until_at = serializers.DateTimeField(allow_null=True)


class FlagOut(serializers.Serializer):
    id = serializers.IntegerField()
    trial = serializers.CharField(source="pile.trial.code")
    site = serializers.CharField(source="pile.site.code")
    pile = serializers.CharField(source="pile.code")
    probe = serializers.CharField(help_text="blank unless it is about a temperature logger")
    bag_label = serializers.SerializerMethodField()
    retrieval = serializers.IntegerField(
        source="retrieval_id", allow_null=True, help_text="id of the look, when it is about one"
    )
    code = serializers.ChoiceField(choices=list(CODES))
    rule_version = serializers.IntegerField()
    message = serializers.CharField()
    evidence = EvidenceOut(source="*")
    decision = serializers.ChoiceField(choices=FlagDecision.values)
    reason = serializers.CharField()
    raised_at = serializers.DateTimeField()
    decided_by = serializers.CharField(default=None, allow_null=True)
    decided_at = serializers.DateTimeField(allow_null=True)

    def get_bag_label(self, flag: Flag) -> str | None:
        bag = flag.bag or (flag.retrieval and flag.retrieval.bag)
        return bag.label if bag else None


class DecisionIn(serializers.Serializer):
    decision = serializers.ChoiceField(choices=quality.DECISIONS)
    reason = serializers.CharField(max_length=500)


class CorrectionOut(serializers.Serializer):
    id = serializers.IntegerField()
    retrieval = serializers.IntegerField(source="retrieval_id")
    trial = serializers.CharField(source="retrieval.bag.trial.code")
    bag_label = serializers.CharField(source="retrieval.bag.label")
    retrieved_on = serializers.DateField(source="retrieval.retrieved_on")
    field = serializers.CharField()
    old_value = serializers.CharField()
    new_value = serializers.CharField()
    reason = serializers.CharField()
    made_by = serializers.SerializerMethodField(help_text="the person, or the name of the token")
    made_at = serializers.DateTimeField()

    def get_made_by(self, correction: Correction) -> str:
        return str(correction.made_by_user or correction.made_by_token or "")


class CorrectionIn(serializers.Serializer):
    field = serializers.ChoiceField(choices=quality.CORRECTABLE)
    value = serializers.JSONField(allow_null=True, help_text="null empties the field")
    reason = serializers.CharField(max_length=500)


FLAG_RELATED = ("pile__trial", "pile__site", "bag", "retrieval__bag", "decided_by")


class _Flags(ListRows):
    model = Flag
    related = FLAG_RELATED
    serializer_class = FlagOut
    filters = {
        "trial": Filter("pile__trial__code", meaning="code of the trial"),
        "site": Filter("pile__site__code", meaning="code of the site"),
        "pile": Filter("pile__code", meaning="code of the pile"),
        "code": Filter("code", "choice", tuple(CODES), "which rule"),
        "decision": Filter("decision", "choice", tuple(FlagDecision.values), "decided how"),
        "retrieval": Filter("retrieval_id", "integer", meaning="id of the look"),
    }


Flags = listed("List flags", _Flags, "quality")


@extend_schema(tags=["quality"], summary="One flag")
class OneFlag(OneRow):
    model = Flag
    related = FLAG_RELATED
    serializer_class = FlagOut


class _Corrections(ListRows):
    model = Correction
    related = ("retrieval__bag__trial", "made_by_user", "made_by_token")
    serializer_class = CorrectionOut
    filters = {
        "retrieval": Filter("retrieval_id", "integer", meaning="id of the look"),
        "trial": Filter("retrieval__bag__trial__code", meaning="code of the trial"),
        "site": Filter("retrieval__bag__pile__site__code", meaning="code of the site"),
        "field": Filter("field", "choice", quality.CORRECTABLE, "which column changed"),
    }


Corrections = listed("List corrections", _Corrections, "quality")


class DecideFlag(APIView):
    @extend_schema(
        tags=["quality"],
        summary="Accept or exclude what a flag is about",
        request=DecisionIn,
        responses={200: FlagOut, 403: ProblemOut, 404: ProblemOut, 409: ProblemOut},
    )
    def post(self, request: Request, pk: int) -> Response:
        actor = known_actor(request)
        body = DecisionIn(data=request.data)
        body.is_valid(raise_exception=True)
        rows = visible_to(actor, Flag).select_related(*FLAG_RELATED)
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
        responses={
            201: CorrectionOut,
            403: ProblemOut,
            404: ProblemOut,
            409: ProblemOut,
            412: ProblemOut,
        },
    )
    def post(self, request: Request, pk: int) -> Response:
        actor = known_actor(request)
        body = CorrectionIn(data=request.data)
        body.is_valid(raise_exception=True)
        look = get_object_or_404(_looks(actor), pk=pk)
        correction = quality.correct_retrieval(
            retrieval=look, by=actor, seen_revision=_seen(request, look), **body.validated_data
        )
        answer = CorrectionOut(correction).data
        return Response(answer, status=201, headers={"ETag": etag(correction.retrieval)})


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
