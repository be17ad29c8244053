"""Photos over time: one strip per material and site, in the order of the days in the pile."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby

from registry.models import Material, Photo, Retrieval, Trial
from registry.permissions import Actor, visible_to

# A strip is for seeing what happens, not for leafing through everything.
MOST_IN_STRIP = 12
# More than any page shows; a trial with more is thinned out over all its days.
MOST_ASKED = 3000


@dataclass(frozen=True, slots=True)
class StripPhoto:
    """One photo in a strip; `day` since the bag was buried."""

    photo: Photo
    day: int


@dataclass(frozen=True, slots=True)
class Strip:
    """Photos of one material at one site by day; `n_photos` counts those left out, too."""

    trial: str
    site_name: str
    material: Material
    photos: tuple[StripPhoto, ...]
    n_photos: int


def strips(
    actor: Actor, *, trial: Trial | None = None, material: Material | None = None
) -> list[Strip]:
    """Strips of a trial, or of a material over all trials, that the actor may see. One query."""
    rows = visible_to(actor, Photo).filter(withdrawn_at__isnull=True)
    if trial is not None:
        rows = rows.filter(retrieval__bag__trial=trial)
    if material is not None:
        rows = rows.filter(retrieval__bag__material=material)
    found = rows.select_related(
        "retrieval__bag__material", "retrieval__bag__trial", "retrieval__bag__pile__site"
    ).order_by("-pk")[:MOST_ASKED]
    return [_strip(list(group)) for _, group in groupby(sorted(found, key=_order), key=_strip_of)]


def photos_of_looks(actor: Actor, looks: Iterable[Retrieval]) -> dict[int, list[Photo]]:
    """Look id → its photos in order, as far as the actor may see them. One query."""
    rows = visible_to(actor, Photo).filter(
        retrieval__in=[look.pk for look in looks], withdrawn_at__isnull=True
    )
    found: dict[int, list[Photo]] = {}
    for photo in rows.order_by("retrieval", "position"):
        found.setdefault(photo.retrieval_id, []).append(photo)
    return found


def day_of(photo: Photo) -> int:
    look = photo.retrieval
    return (look.retrieved_on - look.bag.buried_on).days


def _strip_of(photo: Photo) -> tuple[str, int, str, int]:
    bag = photo.retrieval.bag
    return bag.material.name, bag.material_id, bag.pile.site.name, bag.trial_id


def _order(photo: Photo) -> tuple[tuple[str, int, str, int], int, int, int]:
    return _strip_of(photo), day_of(photo), photo.position, photo.pk


def _strip(photos: list[Photo]) -> Strip:
    """As many as fit, evenly over the days, the first and the last among them."""
    n = len(photos)
    shown = list(range(n))
    if n > MOST_IN_STRIP:
        step = (n - 1) / (MOST_IN_STRIP - 1)
        shown = [round(place * step) for place in range(MOST_IN_STRIP)]
    bag = photos[0].retrieval.bag
    return Strip(
        trial=bag.trial.title,
        site_name=bag.pile.site.name,
        material=bag.material,
        photos=tuple(StripPhoto(photos[place], day_of(photos[place])) for place in shown),
        n_photos=n,
    )
