"""Photos are decoded, turned upright, made smaller, and keep nothing but their pixels."""

import io

import pytest
from PIL import Image, ImageCms

from registry.errors import NotAPhoto, PhotoTooLarge
from registry.intake import photos
from registry.intake.photos import EDGE_PX, THUMB_EDGE_PX, clean
from tests.pictures import LEFT, RIGHT, encoded, from_a_phone, png_that_claims, two_colours


def opened(content: bytes) -> Image.Image:
    return Image.open(io.BytesIO(content))


def near(seen: tuple[int, ...], meant: tuple[int, ...]) -> bool:
    return all(abs(a - b) < 40 for a, b in zip(seen, meant, strict=True))


def test_nothing_of_place_time_or_camera_is_left():
    sent = from_a_phone()
    assert opened(sent).getexif().get_ifd(0x8825)  # the test's own photo does tell the place

    found = clean(sent)

    for content in (found.photo, found.thumbnail):
        kept = opened(content)
        assert not kept.getexif()
        assert set(kept.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"} | {
            "progressive",
            "progression",
        }
        assert b"Secret" not in content
        assert b"Exif" not in content


@pytest.mark.parametrize(
    ("orientation", "size", "first", "last"),
    [
        (1, (40, 20), LEFT, RIGHT),
        (3, (40, 20), RIGHT, LEFT),  # half a turn
        (6, (20, 40), LEFT, RIGHT),  # a quarter to the right: red comes to the top
        (8, (20, 40), RIGHT, LEFT),
    ],
)
def test_a_photo_taken_sideways_stands_upright(orientation, size, first, last):
    kept = opened(clean(from_a_phone(orientation=orientation)).photo)

    assert kept.size == size
    assert near(kept.getpixel((2, 2)), first)
    assert near(kept.getpixel((size[0] - 3, size[1] - 3)), last)


def test_a_large_photo_is_made_smaller_and_a_small_one_is_not_blown_up():
    large = clean(encoded(two_colours(4000, 3000)))
    small = clean(encoded(two_colours(50, 30)))

    assert (large.width_px, large.height_px) == (EDGE_PX, EDGE_PX * 3 // 4)
    assert opened(large.photo).size == (large.width_px, large.height_px)
    assert max(opened(large.thumbnail).size) == THUMB_EDGE_PX
    assert opened(small.photo).size == (50, 30)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("mode", ["L", "RGB"])
def test_what_phones_and_browsers_know_is_taken(form, mode):
    assert opened(clean(encoded(two_colours().convert(mode), form)).photo).format == "JPEG"


@pytest.mark.parametrize("mode", ["CMYK", "P", "1", "I;16", "RGBA", "LA"])
def test_unusual_pixels_are_taken_as_well(mode):
    form = "JPEG" if mode == "CMYK" else "PNG"
    picture = Image.new(mode, (9, 7)) if mode == "I;16" else two_colours().convert(mode)

    assert opened(clean(encoded(picture, form)).photo).mode == "RGB"


def test_what_is_transparent_lies_on_white():
    clear = Image.new("RGBA", (20, 20), (0, 0, 0, 0))

    assert opened(clean(encoded(clear, "PNG")).photo).getpixel((10, 10)) == (255, 255, 255)


def test_colours_of_a_profile_are_brought_to_the_common_one():
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()

    kept = opened(clean(encoded(two_colours(), icc_profile=profile)).photo)

    assert "icc_profile" not in kept.info
    assert near(kept.getpixel((2, 2)), LEFT)


def test_a_broken_profile_is_dropped():
    assert clean(encoded(two_colours(), icc_profile=b"no profile at all")).width_px == 40


def test_the_first_picture_of_a_moving_one_is_taken():
    frames = [two_colours(), Image.new("RGB", (40, 20), RIGHT)]
    moving = encoded(frames[0], "WEBP", save_all=True, append_images=frames[1:], lossless=True)

    assert near(opened(clean(moving).photo).getpixel((2, 2)), LEFT)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"GIF89a",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"%PDF-1.7",
        b"\xff\xd8\xff\xe0" + bytes(50),
        encoded(two_colours(), "JPEG")[:200],
        encoded(two_colours(), "PNG")[:-30],
        encoded(two_colours(), "GIF"),
        encoded(two_colours(), "TIFF"),
        encoded(two_colours(), "BMP"),
    ],
    ids=["nothing", "gif-head", "svg", "pdf", "head", "cut", "cut-png", "gif", "tiff", "bmp"],
)
def test_what_is_no_photo_is_refused(body):
    with pytest.raises(NotAPhoto, match="JPEG, PNG or WebP"):
        clean(body)


@pytest.mark.parametrize("size", [(10_000, 7_000), (30_000, 2_001)])
def test_a_small_file_that_would_unpack_to_a_huge_picture_is_refused_unread(size, monkeypatch):
    monkeypatch.setattr(Image.Image, "load", lambda self: pytest.fail("it was decoded"))

    with pytest.raises(PhotoTooLarge, match="million pixels"):
        clean(png_that_claims(*size))


def test_what_pillow_itself_calls_a_bomb_is_refused():
    with pytest.raises((NotAPhoto, PhotoTooLarge)):
        clean(png_that_claims(60_000, 60_000))


def test_a_file_too_large_is_refused_before_it_is_looked_at(monkeypatch):
    monkeypatch.setattr(photos, "MOST_BYTES", 100)

    with pytest.raises(PhotoTooLarge, match="Send it smaller"):
        clean(bytes(101))
