"""Photos with the words that stand in for them."""

from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from frontend.presenters.vocabulary import SHORT_OUTCOMES, word
from registry.models import Photo, Retrieval
from registry.queries.photo_strips import Strip


@dataclass(frozen=True, slots=True)
class PhotoPart:
    pk: int
    alt: str
    label: str
    caption: str


@dataclass(frozen=True, slots=True)
class StripPart:
    """A strip with its heading; `more` says how many photos are not in it."""

    title: str
    photos: tuple[PhotoPart, ...]
    more: str


def photo_part(photo: Photo, look: Retrieval, day: int) -> PhotoPart:
    """`alt` tells what the photo is of; what is to be seen on it, only its caption knows."""
    bag = look.bag
    about = _("%(material)s from bag %(bag)s on day %(day)d; %(outcome)s") % {
        "material": bag.material.name,
        "bag": bag.label,
        "day": day,
        "outcome": word(SHORT_OUTCOMES, look.outcome).lower(),
    }
    return PhotoPart(
        pk=photo.pk,
        alt=f"{about}. {photo.caption}" if photo.caption else f"{about}.",
        label=_("day %(n)d") % {"n": day},
        caption=photo.caption,
    )


def strip_parts(strips: list[Strip], *, by_material: bool) -> list[StripPart]:
    """Headed by the material and the site on a trial's page, by site and trial on a material's."""
    return [
        StripPart(
            title=_("%(material)s, %(site)s")
            % {"material": strip.material.name, "site": strip.site_name}
            if by_material
            else _("%(site)s (%(trial)s)") % {"site": strip.site_name, "trial": strip.trial},
            photos=tuple(
                photo_part(item.photo, item.photo.retrieval, item.day) for item in strip.photos
            ),
            more=_more(strip.n_photos - len(strip.photos)),
        )
        for strip in strips
    ]


def _more(n: int) -> str:
    if n == 0:
        return ""
    return ngettext("%(n)d more photo", "%(n)d more photos", n) % {"n": n}
