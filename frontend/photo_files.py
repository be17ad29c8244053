"""Photos as a form sends them: `photo_1` with `caption_1`, and a second pair."""

from dataclasses import dataclass

from django.http import HttpRequest

from registry.errors import PhotoTooLarge
from registry.intake.photos import MOST_BYTES

PLACES = (1, 2)


@dataclass(frozen=True, slots=True)
class SentPhoto:
    """The bytes as they came, not yet decoded."""

    body: bytes
    caption: str


def sent_photos(request: HttpRequest) -> list[SentPhoto]:
    """The photos that were chosen. Raises PhotoTooLarge before one is read into memory."""
    found = []
    for place in PLACES:
        file = request.FILES.get(f"photo_{place}")
        if file is None:
            continue
        if (file.size or 0) > MOST_BYTES:
            raise PhotoTooLarge(
                f"A photo may have {MOST_BYTES / 1_000_000:.0f} MB. Send it smaller.", field="photo"
            )
        found.append(SentPhoto(file.read(), request.POST.get(f"caption_{place}", "")))
    return found
