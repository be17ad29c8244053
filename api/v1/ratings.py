"""Ratings of releases, in plain language; public, no token."""

from rest_framework import serializers

from api.v1.filters import Filter
from api.v1.listing import ListRows, listed
from registry.models import Rating
from registry.models.pooled_estimate import HEAT_CLASSES
from registry.models.release import BANDS, CONFIDENCES


class RatingOut(serializers.Serializer):
    id = serializers.IntegerField()
    trial = serializers.CharField(source="release.trial.code")
    release = serializers.IntegerField(source="release_id")
    version = serializers.IntegerField(source="release.version")
    material = serializers.CharField(source="material.code")
    material_name = serializers.CharField(source="material.name")
    heat_class = serializers.CharField()
    band = serializers.ChoiceField(choices=BANDS)
    confidence = serializers.ChoiceField(choices=CONFIDENCES)
    sentence = serializers.CharField()
    chance_84 = serializers.FloatField(allow_null=True, help_text="of 90 % gone by day 84")
    chance_180 = serializers.FloatField(allow_null=True, help_text="of 90 % gone by day 180")
    typical_days = serializers.FloatField(allow_null=True, help_text="days until 90 % is gone")
    typical_days_low = serializers.FloatField(allow_null=True)
    typical_days_high = serializers.FloatField(allow_null=True)
    n_sites = serializers.IntegerField()
    n_piles = serializers.IntegerField()
    n_bags = serializers.IntegerField()


class _Ratings(ListRows):
    """Public; needs no token."""

    model = Rating
    related = ("release__trial", "material")
    serializer_class = RatingOut
    filters = {
        "trial": Filter("release__trial__code", meaning="code of the trial"),
        "release": Filter("release_id", "integer", meaning="id of the release"),
        "material": Filter("material__code", meaning="code of the material"),
        "heat_class": Filter("heat_class", "choice", HEAT_CLASSES, "heat of the piles"),
        "band": Filter("band", "choice", BANDS, "what is usually left"),
    }


Ratings = listed("List ratings", _Ratings, "releases")
