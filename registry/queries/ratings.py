"""Plain-language ratings as the public reads them: from releases only, the newest of each trial."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery

from registry.models import Composition, CurvePoint, Material, Rating, Release
from registry.permissions import Actor, visible_to


@dataclass(frozen=True, slots=True)
class RatingRow:
    """One rating with the release it comes from. Days are days in the pile; chances are 0 to 1."""

    heat_class: str
    band: str
    confidence: str
    chance_84: float | None
    chance_180: float | None
    typical_days: float | None
    typical_days_low: float | None
    typical_days_high: float | None
    n_sites: int
    n_piles: int
    n_bags: int
    sentence: str
    pooled_id: int | None
    release_id: int
    release_version: int
    released_at: datetime
    trial_code: str
    trial_title: str
    last_look_day: float | None = None


@dataclass(frozen=True, slots=True)
class RatedMaterial:
    """A material and its newest rating in the asked-for heat; None when it has none yet."""

    code: str
    name: str
    form: str
    role: str
    rating: RatingRow | None


@dataclass(frozen=True, slots=True)
class MaterialFilter:
    """What a reader asks for; empty means any. `gone_within_days` is 84 or 180."""

    search: str = ""
    form: str = ""
    role: str = ""
    heat: str = "all"
    gone_within_days: int | None = None


# "Gone in at least 8 of 10 piles" is what a reader who can wait so long may plan with.
LIKELY = 0.8


def rated_materials(actor: Actor, wanted: MaterialFilter) -> list[RatedMaterial]:
    """Materials that match, by name. Two queries, however many there are."""
    rating_of = _newest_rating_by_material(actor, wanted.heat)
    rated = [
        RatedMaterial(
            code=material.code,
            name=material.name,
            form=material.form,
            role=material.role,
            rating=rating_of.get(material.pk),
        )
        for material in _matching(actor, wanted)
    ]
    return [item for item in rated if _gone_in_time(item.rating, wanted.gone_within_days)]


def ratings_of_material(actor: Actor, material: Material) -> list[RatingRow]:
    """Its ratings in every heat class from the newest release of each trial, newest first."""
    rows = _current_ratings(actor).filter(material=material)
    return [_row(rating) for rating in rows.order_by("-release__created_at", "heat_class")]


def ratings_of_materials(actor: Actor, codes: list[str]) -> list[tuple[Material, list[RatingRow]]]:
    """Materials by code, in the order asked for, with their ratings. Two queries."""
    found = {item.code: item for item in visible_to(actor, Material).filter(code__in=codes)}
    rows: dict[int, list[RatingRow]] = {item.pk: [] for item in found.values()}
    ratings = _current_ratings(actor).filter(material__in=rows)
    for rating in ratings.order_by("-release__created_at", "heat_class"):
        rows[rating.material_id].append(_row(rating))
    return [(found[code], rows[found[code].pk]) for code in codes if code in found]


def newest_releases(actor: Actor) -> QuerySet[Release]:
    """The newest release of each trial that the actor may see."""
    newest = (
        visible_to(actor, Release)
        .filter(trial=OuterRef("trial"))
        .order_by("-version")
        .values("pk")[:1]
    )
    return Release.objects.filter(pk=Subquery(newest))


def _current_ratings(actor: Actor) -> QuerySet[Rating]:
    points = CurvePoint.objects.filter(pooled=OuterRef("pooled")).order_by("-day")
    rows = Rating.objects.filter(release__in=newest_releases(actor))
    # A curve ends at the last look.
    return rows.select_related("release__trial").annotate(
        last_look_day=Subquery(points.values("day")[:1])
    )


def _newest_rating_by_material(actor: Actor, heat: str) -> dict[int, RatingRow]:
    rows = _current_ratings(actor).filter(heat_class=heat or "all")
    # Oldest first, so that the newest release has the last word.
    return {
        rating.material_id: _row(rating)
        for rating in rows.order_by("release__created_at", "release_id")
    }


def _matching(actor: Actor, wanted: MaterialFilter) -> QuerySet[Material]:
    rows = visible_to(actor, Material)
    if wanted.form:
        rows = rows.filter(form=wanted.form)
    if wanted.role:
        rows = rows.filter(role=wanted.role)
    for word in wanted.search.split():
        made_of = Composition.objects.filter(material=OuterRef("pk"), component__icontains=word)
        rows = rows.filter(
            Q(name__icontains=word)
            | Q(code__icontains=word)
            | Q(coating__icontains=word)
            | Exists(made_of)
        )
    return rows.order_by("name", "code")


def _gone_in_time(rating: RatingRow | None, days: int | None) -> bool:
    if days is None:
        return True
    if rating is None:
        return False
    chance = rating.chance_84 if days <= 84 else rating.chance_180
    return chance is not None and chance >= LIKELY


def _row(rating: Rating) -> RatingRow:
    release = rating.release
    return RatingRow(
        heat_class=rating.heat_class,
        band=rating.band,
        confidence=rating.confidence,
        chance_84=rating.chance_84,
        chance_180=rating.chance_180,
        typical_days=rating.typical_days,
        typical_days_low=rating.typical_days_low,
        typical_days_high=rating.typical_days_high,
        n_sites=rating.n_sites,
        n_piles=rating.n_piles,
        n_bags=rating.n_bags,
        sentence=rating.sentence,
        pooled_id=rating.pooled_id,
        release_id=release.pk,
        release_version=release.version,
        released_at=release.created_at,
        trial_code=release.trial.code,
        trial_title=release.trial.title,
        last_look_day=rating.last_look_day,  # type: ignore[attr-defined]
    )
