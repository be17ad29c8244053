from django.db import models
from django.db.models import Q

from .people import AccessToken, User
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

    def __str__(self) -> str:
        return f"{self.field}: {self.old_value} → {self.new_value}"


class FlagDecision(models.TextChoices):
    WAITING = "waiting", "waiting"
    ACCEPT = "accept", "accept"
    EXCLUDE = "exclude", "exclude"


class Flag(models.Model):
    """A quality finding on a look. Excluded looks stay in every export, marked."""

    retrieval = models.ForeignKey(Retrieval, on_delete=models.PROTECT, related_name="flags")
    code = models.CharField(max_length=60)
    rule_version = models.PositiveSmallIntegerField(default=1)
    message = models.CharField(max_length=500)
    decision = models.CharField(max_length=8, choices=FlagDecision, default=FlagDecision.WAITING)
    reason = models.CharField(max_length=500, blank=True)
    raised_at = models.DateTimeField(auto_now_add=True)
    decided_by = models.ForeignKey(
        User, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["retrieval", "code", "rule_version"], name="flag_raised_once"
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

    def __str__(self) -> str:
        return self.message
