from django.db import models
from django.db.models import Q

from registry.columns import OUTCOMES, RETRIEVALS

from .bag import Bag
from .fields import Sent, constraints_of, measured, score
from .whole_table_rules import retrieval_not_before_burial

MASSES = ("wet_mass_g", "dry_mass_g", "ash_pct")
# After these the bag is out of the pile, unless it was buried again. A bag that was not found may
# still turn up at a later look.
LAST_OUTCOMES = ("recovered", "nothing_left", "bag_damaged")
SCORES = ("fragmentation", "growth", "brittleness", "cracking", "discolouration")


def _none_of(fields: tuple[str, ...]) -> Q:
    return Q(**{f"{field}__isnull": True for field in fields})


class Retrieval(Sent):
    """One look at one bag: what was left, or why nothing can be said."""

    bag = models.ForeignKey(
        Bag, on_delete=models.PROTECT, related_name="retrievals", db_index=False
    )
    retrieved_on = models.DateField()
    outcome = models.CharField(
        max_length=12, choices=[(outcome, outcome.replace("_", " ")) for outcome in OUTCOMES]
    )
    reburied = models.BooleanField(default=False)
    wet_mass_g = measured()
    dry_mass_g = measured()
    ash_pct = measured()
    contaminant_ash_pct = measured()
    sieve_mm = measured()
    drying_c = measured()
    fragmentation = score()
    growth = score()
    brittleness = score()
    cracking = score()
    discolouration = score()
    observer = models.CharField(max_length=200, blank=True)
    notes = models.TextField(blank=True, max_length=2000)
    # Counts the corrections; an ETag and the pooling digest are made from it.
    revision = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["bag__trial__code", "bag__label", "retrieved_on"]
        constraints = [
            models.UniqueConstraint(fields=["bag", "retrieved_on"], name="one_outcome_per_look"),
            *constraints_of(RETRIEVALS),
            models.CheckConstraint(
                condition=Q(outcome="recovered") | _none_of(MASSES),
                name="retrieval_residue_only_when_recovered",
            ),
            models.CheckConstraint(
                condition=~Q(outcome="recovered")
                | ~_none_of(("wet_mass_g", "dry_mass_g", *SCORES)),
                name="retrieval_recovered_is_weighed_or_scored",
            ),
            models.CheckConstraint(
                condition=~Q(outcome__in=["bag_lost", "bag_damaged"]) | _none_of(SCORES),
                name="retrieval_missing_bag_has_no_scores",
            ),
            models.CheckConstraint(
                condition=~Q(outcome="looked_at") | ~_none_of(SCORES),
                name="retrieval_looked_at_is_scored",
            ),
            models.CheckConstraint(
                condition=~Q(outcome__in=["bag_lost", "nothing_left"]) | Q(reburied=False),
                name="retrieval_nothing_to_rebury",
            ),
            models.CheckConstraint(
                condition=Q(wet_mass_g__isnull=True)
                | Q(dry_mass_g__isnull=True)
                | Q(dry_mass_g__lte=models.F("wet_mass_g") * 1.02),
                name="retrieval_drying_loses_mass",
            ),
        ]
        triggers = retrieval_not_before_burial

    def __str__(self) -> str:
        return f"{self.bag} on {self.retrieved_on}"
