"""The eight kinds that labs send: one at a time as JSON, or many at once as a file."""

import json
from collections.abc import Mapping
from typing import Any

from django.db.models import Model, QuerySet
from django.http import HttpResponseBase
from drf_spectacular.utils import (
    OpenApiParameter,
    OpenApiResponse,
    PolymorphicProxySerializer,
    extend_schema,
)
from rest_framework.request import Request
from rest_framework.response import Response

from api.v1.authentication import actor_of, known_actor
from api.v1.bodies import JSON, RawBody, media_type, read_body
from api.v1.filters import Filter
from api.v1.idempotency import respond_once
from api.v1.listing import ListRows, OneRow, listed
from api.v1.shapes import record_in, record_out
from api.v1.streams import stream
from api.v1.uploads import ProblemOut, UploadOut
from registry.columns import FORMS, OUTCOMES, PILE_KINDS, ROLES, UPLOAD_KINDS, UploadKind
from registry.errors import InvalidValue, UnreadableBody
from registry.jobs.uploads import request_upload, store_upload
from registry.models import Bag, Composition, Feedstock, Material, Pile, Retrieval, Turning
from registry.permissions import Actor
from registry.queries.export_rows import extract
from registry.services import uploads
from registry.services.idempotency import Answer

SITE = Filter("pile__site__code", meaning="code of the site")
PILE = Filter("pile__code", meaning="code of the pile")
UPLOAD = Filter("upload_id", "integer", meaning="id of the upload it came with")

LISTS: dict[str, tuple[type[Model], tuple[str, ...], Mapping[str, Filter]]] = {
    "materials": (
        Material,
        (),
        {
            "material": Filter("code", meaning="code of the material"),
            "form": Filter("form", "choice", FORMS, "shape of the item"),
            "role": Filter("role", "choice", ROLES, "tested item or control"),
            "trial": Filter("trials__code", meaning="code of a trial it takes part in"),
        },
    ),
    "compositions": (
        Composition,
        ("material",),
        {
            "material": Filter("material__code", meaning="code of the material"),
            "component": Filter("component", meaning="component"),
        },
    ),
    "piles": (
        Pile,
        ("site", "trial"),
        {
            "site": Filter("site__code", meaning="code of the site"),
            "pile": Filter("code", meaning="code of the pile"),
            "trial": Filter("trial__code", meaning="code of the trial"),
            "kind": Filter("kind", "choice", PILE_KINDS, "sort of pile"),
        },
    ),
    "feedstocks": (Feedstock, ("pile__site",), {"site": SITE, "pile": PILE}),
    "turnings": (Turning, ("pile__site",), {"site": SITE, "pile": PILE}),
    "bags": (
        Bag,
        ("trial", "pile__site", "material"),
        {
            "trial": Filter("trial__code", meaning="code of the trial"),
            "site": SITE,
            "pile": PILE,
            "bag_label": Filter("label", meaning="label on the bag"),
            "material": Filter("material__code", meaning="code of the material"),
            "upload": UPLOAD,
        },
    ),
    "retrievals": (
        Retrieval,
        ("bag__trial", "bag__pile__site", "bag__material"),
        {
            "trial": Filter("bag__trial__code", meaning="code of the trial"),
            "site": Filter("bag__pile__site__code", meaning="code of the site"),
            "pile": Filter("bag__pile__code", meaning="code of the pile"),
            "bag_label": Filter("bag__label", meaning="label on the bag"),
            "material": Filter("bag__material__code", meaning="code of the material"),
            "outcome": Filter("outcome", "choice", OUTCOMES, "what became of the bag"),
            "retrieved_on": Filter("retrieved_on", "date", meaning="day of the look"),
            "upload": UPLOAD,
        },
    ),
}


class Records(ListRows):
    """List one kind, or send it."""

    kind: UploadKind
    parser_classes = [RawBody]

    def as_file(self, rows: QuerySet[Any], form: str) -> HttpResponseBase:
        kind = self.kind.name
        return stream(extract(kind, rows, actor_of(self.request)), form, kind)

    def post(self, request: Request) -> Response:
        return receive(request, self.kind, self._one)

    def _one(self, values: Mapping[str, Any], actor: Actor) -> Answer:
        record, created = uploads.submit_one(kind=self.kind.name, values=values, by=actor)
        return Answer(201 if created else 200, dict(self.get_serializer(record).data))


def receive(request: Request, kind: UploadKind, one: Any) -> Response:
    """One JSON object is a record; anything else is a bulk upload."""
    actor = known_actor(request)
    sent_as = media_type(request)
    dry_run = _yes(request, "dry_run")
    body = read_body(request)
    values = _single(body) if sent_as == JSON else None
    if values is not None and not dry_run:
        return respond_once(request, actor, body, lambda: one(values, actor))
    if values is not None:
        body = b"[" + body + b"]"
    sent: dict[str, Any] = {
        "kind": kind.name,
        "body": body,
        "content_type": sent_as,
        "by": actor,
        "file_name": _file_name(request),
    }
    if "respond-async" in request.headers.get("Prefer", "") and not dry_run:
        return respond_once(request, actor, body, lambda: _queued(request, sent))
    if dry_run:
        return Response(UploadOut(uploads.submit(dry_run=True, **sent)).data, status=201)
    return respond_once(request, actor, body, lambda: _stored(sent))


def _stored(sent: Mapping[str, Any]) -> Answer:
    upload = store_upload(**sent)
    location = {"Location": f"/api/v1/uploads/{upload.pk}/"}
    return Answer(201, dict(UploadOut(upload).data), location)


def _queued(request: Request, sent: Mapping[str, Any]) -> Answer:
    upload = request_upload(**sent)
    location = {"Location": f"/api/v1/uploads/{upload.pk}/"}
    return Answer(202, dict(UploadOut(upload).data), location)


def _single(body: bytes) -> dict[str, Any] | None:
    """The object, when the body is one JSON object; None for anything else."""
    if not body.lstrip().startswith(b"{"):
        return None
    try:
        values = json.loads(body)
    except (ValueError, RecursionError) as problem:
        raise UnreadableBody(f"The body is not JSON: {problem}.", code="not_json") from problem
    return values


def _yes(request: Request, name: str) -> bool:
    sent = request.query_params.get(name, "false").lower()
    if sent not in ("true", "false", "1", "0", "yes", "no"):
        raise InvalidValue(f"{name} is true or false.", field=name)
    return sent in ("true", "1", "yes")


def _file_name(request: Request) -> str:
    """A name for people, from `Content-Disposition: attachment; filename="…"`."""
    disposition = request.headers.get("Content-Disposition", "")
    name = disposition.partition("filename=")[2].strip().strip('"')
    return "".join(letter for letter in name if letter.isprintable())[:200]


def described(view: type[Any], kind: UploadKind, one_out: Any) -> type[Any]:
    """Describe the POST of a record kind in the schema."""
    one_in = record_in(kind)
    return extend_schema(
        methods=["POST"],
        summary=f"Send {kind.meaning}",
        description=(
            "One JSON object stores one record. A JSON array, CSV or NDJSON body is an upload: "
            "all rows are stored, or none, and every fault is listed."
        ),
        tags=["records"],
        parameters=[
            OpenApiParameter("dry_run", bool, description="check only, store nothing"),
            OpenApiParameter(
                "Idempotency-Key", str, OpenApiParameter.HEADER, description="makes a retry safe"
            ),
            OpenApiParameter(
                "Prefer", str, OpenApiParameter.HEADER, description="respond-async to be queued"
            ),
        ],
        request={
            JSON: one_in,
            "text/csv": {"type": "string", "description": _header(kind)},
            "application/x-ndjson": {"type": "string", "description": "one object a line"},
        },
        responses={
            200: OpenApiResponse(one_out, "the same record again"),
            201: OpenApiResponse(
                PolymorphicProxySerializer(
                    f"{kind.noun.capitalize()}Stored", [UploadOut, one_out], None
                ),
                "stored: the upload, or the record when one object was sent",
            ),
            202: OpenApiResponse(UploadOut, "queued"),
            **{code: OpenApiResponse(ProblemOut, why) for code, why in REFUSALS.items()},
        },
    )(view)


REFUSALS = {
    400: "cannot be read",
    401: "no or unknown token",
    403: "not allowed",
    409: "stored already with other values, or the key is in use",
    413: "too large",
    415: "format not accepted",
    422: "read, but some rows are wrong: nothing stored",
}


def _header(kind: UploadKind) -> str:
    return "header row: " + ",".join(kind.column_names)


def list_view(name: str) -> type[Records]:
    kind = UPLOAD_KINDS[name]
    model, related, columns = LISTS[name]
    out = record_out(kind)
    view = type(
        f"{name.capitalize()}View",
        (Records,),
        {
            "kind": kind,
            "model": model,
            "related": related,
            "filters": columns,
            "serializer_class": out,
            "__doc__": kind.meaning,
        },
    )
    return described(listed(f"List {kind.meaning}", view, "records"), kind, out)


def detail_view(name: str, *, key: str = "pk") -> type[OneRow]:
    kind = UPLOAD_KINDS[name]
    model, related, _ = LISTS[name]
    view = type(
        f"{kind.noun.capitalize()}View",
        (OneRow,),
        {
            "model": model,
            "related": related,
            "lookup_field": key,
            "serializer_class": record_out(kind),
        },
    )
    return extend_schema(tags=["records"], summary=f"One {kind.noun}")(view)
