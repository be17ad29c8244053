"""Photos of looks: listed, added as the bytes of one image, shown, withdrawn with a reason."""

from typing import Any

from django.http import HttpResponse
from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.generics import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.v1.authentication import known_actor
from api.v1.bodies import RawBody, media_type, read_body
from api.v1.filters import Filter
from api.v1.listing import ListRows, OneRow, listed
from api.v1.streams import AsTheFileIs
from registry.intake.photo_files import PHOTO, THUMBNAIL
from registry.intake.photos import MOST_BYTES
from registry.models import Photo, Retrieval
from registry.permissions import visible_to
from registry.services.photos import LONGEST_REASON, add_photo, file_of, withdraw_photo

RELATED = ("retrieval__bag__trial", "retrieval__bag__pile__site", "retrieval__bag__material")
JPEG = "image/jpeg"
# What the body is said to be; what it is, decoding tells.
PICTURES = (JPEG, "image/png", "image/webp")


class PhotoOut(serializers.Serializer):
    id = serializers.IntegerField()
    trial = serializers.CharField(source="retrieval.bag.trial.code")
    site = serializers.CharField(source="retrieval.bag.pile.site.code")
    pile = serializers.CharField(source="retrieval.bag.pile.code")
    bag_label = serializers.CharField(source="retrieval.bag.label")
    material = serializers.CharField(source="retrieval.bag.material.code")
    retrieval = serializers.IntegerField(source="retrieval_id", help_text="id of the look")
    retrieved_on = serializers.DateField(source="retrieval.retrieved_on")
    position = serializers.IntegerField(help_text="1 is the first of its look")
    caption = serializers.CharField()
    width_px = serializers.IntegerField()
    height_px = serializers.IntegerField()
    size_bytes = serializers.IntegerField()
    sha256 = serializers.CharField(help_text="of the file as it is kept, not as it was sent")
    file = serializers.SerializerMethodField(help_text="address of the photo; null when withdrawn")
    thumbnail = serializers.SerializerMethodField(help_text="address of a small one")
    added_at = serializers.DateTimeField()
    withdrawn_at = serializers.DateTimeField(allow_null=True)
    withdrawn_reason = serializers.CharField()

    def get_file(self, photo: Photo) -> str | None:
        return reverse("api:photo-file", args=[photo.pk]) if photo.is_shown else None

    def get_thumbnail(self, photo: Photo) -> str | None:
        return reverse("api:photo-thumbnail", args=[photo.pk]) if photo.is_shown else None


class PhotoWithdrawalIn(serializers.Serializer):
    reason = serializers.CharField(max_length=LONGEST_REASON)


class _Photos(ListRows):
    model = Photo
    related = RELATED
    serializer_class = PhotoOut
    filters = {
        "trial": Filter("retrieval__bag__trial__code", meaning="code of the trial"),
        "site": Filter("retrieval__bag__pile__site__code", meaning="code of the site"),
        "pile": Filter("retrieval__bag__pile__code", meaning="code of the pile"),
        "bag_label": Filter("retrieval__bag__label", meaning="label on the bag"),
        "material": Filter("retrieval__bag__material__code", meaning="code of the material"),
        "retrieval": Filter("retrieval_id", "integer", meaning="id of the look"),
    }


Photos = listed("List photos", _Photos, "photos")


@extend_schema(tags=["photos"], summary="One photo, described")
class OnePhoto(OneRow):
    model = Photo
    related = RELATED
    serializer_class = PhotoOut


class AddPhoto(APIView):
    parser_classes = [RawBody]

    @extend_schema(
        tags=["photos"],
        summary="Add a photo to a look",
        description=(
            f"The body is one JPEG, PNG or WebP file of at most {MOST_BYTES // 1_000_000} MB. It "
            "is turned upright and made smaller; where and by what it was taken is not kept. The "
            "same file again is the same photo (200). Whoever sees the look sees the photo."
        ),
        parameters=[OpenApiParameter("caption", str, description="what is to be seen")],
        request={media: {"type": "string", "format": "binary"} for media in PICTURES},
        responses={200: PhotoOut, 201: PhotoOut},
    )
    def post(self, request: Request, pk: int) -> Response:
        actor = known_actor(request)
        media_type(request, PICTURES)
        looks = visible_to(actor, Retrieval).select_related(
            "bag__trial", "bag__pile__site", "bag__pile__trial", "bag__material"
        )
        photo, created = add_photo(
            retrieval=get_object_or_404(looks, pk=pk),
            body=read_body(request, most_bytes=MOST_BYTES),
            caption=request.query_params.get("caption", ""),
            by=actor,
        )
        return Response(PhotoOut(photo).data, status=201 if created else 200)


@extend_schema(
    tags=["photos"],
    summary="Show a photo no more, say why, and remove its file",
    request=PhotoWithdrawalIn,
    responses={200: PhotoOut},
)
class WithdrawPhoto(OneRow):
    model = Photo
    related = (*RELATED, "retrieval__bag__pile__trial")
    serializer_class = PhotoOut
    http_method_names = ["post", "options"]

    def post(self, request: Request, **names: Any) -> Response:
        actor = known_actor(request)
        body = PhotoWithdrawalIn(data=request.data)
        body.is_valid(raise_exception=True)
        photo = withdraw_photo(photo=self.get_object(), by=actor, **body.validated_data)
        return Response(PhotoOut(photo).data)


class PhotoFile(OneRow):
    model = Photo
    related = ("retrieval__bag",)
    content_negotiation_class = AsTheFileIs
    # A page shows dozens of them at once; they cost no more than a static file.
    throttle_classes = []
    size = PHOTO

    @extend_schema(
        tags=["photos"],
        summary="The photo as JPEG",
        responses={(200, JPEG): OpenApiTypes.BINARY},
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        photo = self.get_object()
        name = f"{photo.retrieval.bag.label}-{photo.retrieval.retrieved_on}-{photo.position}.jpg"
        content = file_of(photo, self.size).read_bytes()
        response = HttpResponse(content, content_type=JPEG)
        response["Content-Disposition"] = f'inline; filename="{name}"'
        # It may be withdrawn, and who may see it may change: asked again each time, 304 mostly.
        response["Cache-Control"] = "private, no-cache"
        return response


class PhotoThumbnail(PhotoFile):
    size = THUMBNAIL

    @extend_schema(
        tags=["photos"],
        summary="The photo as a small JPEG",
        responses={(200, JPEG): OpenApiTypes.BINARY},
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        return super().get(request, *args, **kwargs)
