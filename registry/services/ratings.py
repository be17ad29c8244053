"""The ratings of a release: read off its pooled rates, put into a sentence, stored with it."""

from dataclasses import fields

from registry.models import PooledEstimate, Rating, Release
from registry.science import types as science
from registry.science.grower_rating import rate_for_growers
from registry.science.rating_words import rating_sentence

# The model that gives the primary answer, and the one that stands in for it.
MODELS = ("one_stage", "two_stage")


def store_ratings(release: Release) -> int:
    """Rate every material of the release's run in every class of heat it has; returns how many."""
    rows = [_rating(release, rate) for rate in _primary_rates(release)]
    Rating.objects.bulk_create(rows)
    return len(rows)


def _primary_rates(release: Release) -> list[PooledEstimate]:
    """One rate per material and heat class, of the first model that has it."""
    rates = release.run.estimates.filter(
        outcome="decay_rate", model__in=MODELS, time_scale="days"
    ).select_related("material", "run__trial")
    found: dict[tuple[int, str], PooledEstimate] = {}
    last_first = sorted(
        rates.prefetch_related("chance_90_by", "curve"),
        key=lambda rate: MODELS.index(rate.model),
        reverse=True,
    )
    for rate in last_first:
        found[rate.material_id, rate.heat_class] = rate
    return list(found.values())


def _rating(release: Release, rate: PooledEstimate) -> Rating:
    rating = rate_for_growers(_as_science(rate))
    return Rating(
        release=release,
        material_id=rate.material_id,
        pooled=rate,
        heat_class=rating.heat_class,
        band=rating.band.value,
        confidence=rating.confidence,
        chance_84=rating.chance_12_weeks,
        chance_180=rating.chance_26_weeks,
        typical_days=rating.typical_days,
        typical_days_low=rating.days_low,
        typical_days_high=rating.days_high,
        n_sites=rating.n_sites,
        n_piles=rating.n_piles,
        n_bags=rating.n_bags,
        sentence=rating_sentence(rating),
    )


# Columns that the scientific record shares with the table; parts a rating does not read stay empty.
_PLAIN = sorted(
    {field.name for field in fields(science.PooledEstimate)}
    & {field.name for field in PooledEstimate._meta.concrete_fields} - {"material"}
)


def _as_science(rate: PooledEstimate) -> science.PooledEstimate:
    return science.PooledEstimate(
        trial=rate.run.trial.code,
        material=rate.material.code,
        model_version=rate.run.model_version,
        input_digest=rate.run.input_digest,
        chance_90_by=tuple(
            science.ChanceByDay(part.days, part.probability) for part in rate.chance_90_by.all()
        ),
        curve=tuple(
            science.CurvePoint(
                part.day, part.fitted, part.ci_low, part.ci_high, part.pi_low, part.pi_high
            )
            for part in rate.curve.all()
        ),
        **{name: getattr(rate, name) for name in _PLAIN},
    )
