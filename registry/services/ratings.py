"""The ratings of a release: read off its pooled rates, put into a sentence, stored with it."""

from collections import defaultdict
from collections.abc import Iterable

from registry.models import PooledEstimate, Rating, Release
from registry.science.rating import Band, RateEvidence, Reading, rate_material

# The model that gives the primary answer, and the one that stands in for it.
MODELS = ("one_stage", "two_stage")
TWELVE_WEEKS, SIX_MONTHS = 84, 180
PLACES = {
    "all": "Over all piles on trial",
    "hot": "In hot piles",
    "warm": "In warm piles",
    "cool": "In cool piles",
    "unknown": "In piles of unknown heat",
}


def store_ratings(release: Release) -> int:
    """Rate every material of the release's run in every class of heat it has; returns how many."""
    rows = [_rating(release, _primary(found)) for found in _by_material_and_heat(release).values()]
    Rating.objects.bulk_create(rows)
    return len(rows)


def _by_material_and_heat(release: Release) -> dict[tuple[int, str], list[PooledEstimate]]:
    found = defaultdict(list)
    estimates = release.run.estimates.filter(
        outcome__in=["decay_rate", "days_to_90"], model__in=MODELS, time_scale="days"
    )
    for estimate in estimates.prefetch_related("chance_90_by"):
        found[estimate.material_id, estimate.heat_class].append(estimate)
    return found


def _primary(estimates: Iterable[PooledEstimate]) -> dict[str, PooledEstimate]:
    """By outcome, the estimate of the first model that has one."""
    ordered = sorted(estimates, key=lambda found: MODELS.index(found.model), reverse=True)
    return {found.outcome: found for found in ordered}


def _rating(release: Release, found: dict[str, PooledEstimate]) -> Rating:
    rate, days = found["decay_rate"], found.get("days_to_90")
    reading = rate_material(
        RateEvidence(
            n_sites=rate.n_sites,
            log_rate=rate.log_estimate,
            pi_low=rate.pi_low,
            pi_high=rate.pi_high,
            level=rate.level,
            rate_low=rate.ci_low,
            rate_high=rate.ci_high,
            lag_days=rate.lag_days,
        )
    )
    chance = {part.days: part.probability for part in rate.chance_90_by.all()}
    known = days is not None and reading.band is not Band.NOT_ENOUGH_EVIDENCE
    return Rating(
        release=release,
        material_id=rate.material_id,
        pooled=rate,
        heat_class=rate.heat_class,
        band=reading.band.value,
        confidence=reading.confidence,
        chance_84=chance.get(TWELVE_WEEKS),
        chance_180=chance.get(SIX_MONTHS),
        typical_days=days.estimate if days and known else None,
        typical_days_low=days.pi_low if days and known else None,
        typical_days_high=days.pi_high if days and known else None,
        n_sites=rate.n_sites,
        n_piles=rate.n_piles,
        n_bags=rate.n_bags,
        sentence=sentence(reading, rate.heat_class, rate.n_sites, chance.get(TWELVE_WEEKS)),
    )


def sentence(reading: Reading, heat_class: str, n_sites: int, chance: float | None) -> str:
    """The rating in one sentence; `chance` is that of 90 % gone by the rating's day."""
    place = PLACES[heat_class]
    by = f"after {reading.day / 7:.0f} weeks"
    if reading.band is Band.NOT_ENOUGH_EVIDENCE:
        sites = "1 site" if n_sites == 1 else f"{n_sites} sites"
        return f"{place}: not enough evidence yet to say what a new pile would do ({sites})."
    often = "" if chance is None else f" Nearly all of it is gone by then {in_ten(chance)}."
    if reading.band is Band.GONE:
        how_sure = "expect" if chance is None else f"{in_ten(chance)} expect"
        return f"{place}, {how_sure} nearly all of it to be gone {by}."
    if reading.band is Band.NEARLY_GONE:
        return f"{place}, expect most of it to be gone {by}, with pieces left in some piles.{often}"
    if reading.band is Band.STILL_IN_PIECES:
        return f"{place}, expect pieces of it to be left {by} in some piles.{often}"
    return (
        f"{place}, expect little change {by} in some piles.{often}"
        if often
        else (f"{place}, expect little change {by}.")
    )


def in_ten(chance: float) -> str:
    """A chance as a natural frequency: "in about 8 of 10 such piles"."""
    share = round(10 * chance)
    if share == 0:
        return "in hardly any such pile"
    if share == 10:
        return "in nearly every such pile"
    return f"in about {share} of 10 such piles"
