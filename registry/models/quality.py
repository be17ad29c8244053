from django.db import models
from django.db.models import Q

from .bag import Bag
from .fields import measured
from .immutable import never_changed
from .log_versions import decisions_change_the_log
from .people import AccessToken, User
from .pile import Pile
from .retrieval import Retrieval


class Correction(models.Model):
    """A stored measurement was changed, with a reason; the old value stays readable."""

    retrieval = models.ForeignKey(Retrieval, on_delete=models.PROTECT, related_name="corrections")
    field = models.CharField(max_length=40)
    old_value = models.CharField(max_length=2000, blank=True)
    new_value = models.CharField(max_length=2000, blank=True)
    reason = models.CharField(max_length=500)
    made_by_user = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    made_by_token = models.ForeignKey(
        AccessToken, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    made_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="correction_has_a_reason"),
            models.CheckConstraint(
                condition=~Q(old_value=models.F("new_value")), name="correction_changes_something"
            ),
        ]
        triggers = never_changed("correction")

    def __str__(self) -> str:
        return f"{self.field}: {self.old_value} → {self.new_value}"


class FlagDecision(models.TextChoices):
    WAITING = "waiting", "waiting"
    ACCEPT = "accept", "accept"
    EXCLUDE = "exclude", "exclude"
    # Nobody decided, and the data show it no longer.
    WITHDRAWN = "withdrawn", "withdrawn"


class Flag(models.Model):
    """A quality finding. Excluded looks stay in every export, marked.

    It always lies in a pile, and is about a look or a bag when one of them is set, about one probe
    of the pile when `probe` is, else about the pile itself. The evidence stands in columns: the
    value found, the limits it broke, and what it was compared with, all in `unit`.
    """

    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="flags")
    bag = models.ForeignKey(
        Bag, null=True, blank=True, on_delete=models.PROTECT, related_name="flags"
    )
    retrieval = models.ForeignKey(
        Retrieval, null=True, blank=True, on_delete=models.PROTECT, related_name="flags"
    )
    probe = models.CharField(max_length=40, blank=True)
    code = models.CharField(max_length=60)
    rule_version = models.PositiveSmallIntegerField(default=1)
    message = models.CharField(max_length=500)
    unit = models.CharField(max_length=12, blank=True)
    found = measured()
    limit_low = measured()
    limit_high = measured()
    compared_with = measured()
    n_compared = models.PositiveIntegerField(null=True, blank=True)
    from_at = models.DateTimeField(null=True, blank=True)
    until_at = models.DateTimeField(null=True, blank=True)
    decision = models.CharField(max_length=9, choices=FlagDecision, default=FlagDecision.WAITING)
    reason = models.CharField(max_length=500, blank=True)
    # How often the exclusion was switched on or off. The pooling digest reads it, so that a
    # decision taken back makes a run of its own and not an old one look like the newest.
    exclusion_changes = models.PositiveSmallIntegerField(default=0)
    raised_at = models.DateTimeField(auto_now_add=True)
    decided_by = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["pile", "bag", "retrieval", "probe", "code", "rule_version"],
                nulls_distinct=False,
                name="flag_raised_once",
            ),
            models.CheckConstraint(
                condition=Q(bag__isnull=True, retrieval__isnull=True)
                | (Q(probe="") & (Q(bag__isnull=True) | Q(retrieval__isnull=True))),
                name="flag_has_one_subject",
            ),
            models.CheckConstraint(
                condition=Q(decision__in=FlagDecision.values), name="flag_decision_known"
            ),
            models.CheckConstraint(
                condition=Q(decision="waiting", decided_at__isnull=True)
                | (~Q(decision="waiting") & ~Q(reason="") & Q(decided_at__isnull=False)),
                name="flag_decided_with_a_reason",
            ),
        ]
        indexes = [
            models.Index(fields=["pile"], condition=Q(decision="exclude"), name="flag_excluding")
        ]
        triggers = decisions_change_the_log

    def __str__(self) -> str:
        return self.message
