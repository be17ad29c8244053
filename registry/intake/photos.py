"""From what a phone sends to a photo that may be shown: decoded, upright, smaller, and bare.

Nothing of the sent file survives but its pixels: where and when it was taken, by which camera, and
comments are gone, since only the pixels are copied into a new picture. What it is, is told by
decoding it, never by its name or its declared type.
"""

import io
from dataclasses import dataclass

from PIL import Image, ImageCms, ImageOps

from registry.errors import NotAPhoto, PhotoTooLarge

# What browsers show and phones send; other decoders are not even tried.
FORMATS = ("JPEG", "PNG", "WEBP", "MPO")
MOST_BYTES = 15_000_000
# The largest sensors of phones have some 200 million, and send a quarter of it by default.
MOST_PIXELS = 60_000_000
EDGE_PX = 1600
THUMB_EDGE_PX = 320
QUALITY = 82
PAPER = (255, 255, 255)


@dataclass(frozen=True, slots=True)
class CleanPhoto:
    """JPEG bytes of a photo and of its thumbnail, both in sRGB; sizes of the photo in pixels."""

    photo: bytes
    thumbnail: bytes
    width_px: int
    height_px: int


def clean(body: bytes) -> CleanPhoto:
    """Decode and make anew. Raises NotAPhoto or PhotoTooLarge with what to do."""
    if len(body) > MOST_BYTES:
        raise PhotoTooLarge(
            f"A photo may have {MOST_BYTES / 1_000_000:.0f} MB; this one has "
            f"{len(body) / 1_000_000:.1f} MB. Send it smaller.",
            field="photo",
        )
    try:
        upright = _decoded(body)
    except PhotoTooLarge:
        raise
    except Exception as problem:  # a decoder may raise anything over bytes made to break it
        raise NotAPhoto(
            "This is not a photo that can be read. Send a JPEG, PNG or WebP file.", field="photo"
        ) from problem
    photo, thumbnail = _bare(upright, EDGE_PX), _bare(upright, THUMB_EDGE_PX)
    return CleanPhoto(_jpeg(photo), _jpeg(thumbnail), photo.width, photo.height)


def _decoded(body: bytes) -> Image.Image:
    """The first frame in RGB, as it is meant to be held; the size is asked before decoding."""
    with Image.open(io.BytesIO(body), formats=FORMATS) as picture:
        if picture.width * picture.height > MOST_PIXELS:
            raise PhotoTooLarge(
                f"A photo may have {MOST_PIXELS // 1_000_000} million pixels; this one has "
                f"{picture.width} × {picture.height}. Send it smaller.",
                field="photo",
            )
        # A JPEG can be read at half or a quarter of its size, in as much less memory.
        picture.draft("RGB", (EDGE_PX, EDGE_PX))
        picture.load()
        upright = ImageOps.exif_transpose(picture)
        return _on_paper(_in_srgb(upright))


def _in_srgb(picture: Image.Image) -> Image.Image:
    """Colours as browsers read them without a profile; a broken profile is dropped."""
    profile = picture.info.get("icc_profile")
    if not profile or picture.mode not in ("RGB", "RGBA", "CMYK", "L"):
        return picture
    try:
        return (
            ImageCms.profileToProfile(
                picture,
                ImageCms.ImageCmsProfile(io.BytesIO(profile)),
                ImageCms.createProfile("sRGB"),
                outputMode="RGBA" if picture.mode == "RGBA" else "RGB",
            )
            or picture
        )
    except (ImageCms.PyCMSError, OSError, ValueError):
        return picture


def _on_paper(picture: Image.Image) -> Image.Image:
    """RGB, what is transparent over white."""
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        layer = picture.convert("RGBA")
        paper = Image.new("RGB", picture.size, PAPER)
        paper.paste(layer, mask=layer.getchannel("A"))
        return paper
    return picture.convert("RGB")


def _bare(picture: Image.Image, edge_px: int) -> Image.Image:
    """The pixels alone in a new picture, its longer edge at most `edge_px`."""
    smaller = picture.copy()
    smaller.thumbnail((edge_px, edge_px), Image.Resampling.LANCZOS)
    bare = Image.new("RGB", smaller.size)
    bare.paste(smaller)
    return bare


def _jpeg(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=QUALITY, optimize=True, progressive=True)
    return out.getvalue()
