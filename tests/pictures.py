"""Pictures as phones and mischief send them, made here."""

import io
import struct
import zlib
from typing import Any

from PIL import Image
from PIL.ExifTags import GPS, IFD, Base

LEFT, RIGHT = (200, 30, 30), (30, 30, 200)


def two_colours(width: int = 40, height: int = 20) -> Image.Image:
    """Red on the left, blue on the right."""
    picture = Image.new("RGB", (width, height), LEFT)
    picture.paste(RIGHT, (width // 2, 0, width, height))
    return picture


def encoded(picture: Image.Image, form: str = "JPEG", **options: Any) -> bytes:
    out = io.BytesIO()
    picture.save(out, form, **options)
    return out.getvalue()


def from_a_phone(*, orientation: int = 1, width: int = 40, height: int = 20) -> bytes:
    """A JPEG that tells where, when and by what it was taken, in EXIF, XMP and a comment."""
    exif = Image.Exif()
    exif[Base.Orientation] = orientation
    exif[Base.Make] = "SecretMaker"
    exif[Base.DateTime] = "2026:04:07 12:00:00"
    exif.get_ifd(IFD.GPSInfo)[GPS.GPSLatitude] = (56.0, 10.0, 30.0)
    exif.get_ifd(IFD.GPSInfo)[GPS.GPSLatitudeRef] = "N"
    return encoded(
        two_colours(width, height),
        quality=95,
        exif=exif,
        comment=b"SecretComment",
        xmp=b"<x:xmpmeta>SecretPlace</x:xmpmeta>",
    )


def png_that_claims(width: int, height: int) -> bytes:
    """A few bytes that would unpack to a picture of any size."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = zlib.crc32(kind + body)
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", check)

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
