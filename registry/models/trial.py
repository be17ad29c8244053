from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from .fields import code_field, code_is_well_formed, within
from .material import Material
from .people import User
from .site import Site


class TrialState(models.TextChoices):
    """The life of a trial; it moves forwards only."""

    DRAFT = "draft", "draft"
    REGISTERED = "registered", "registered"
    RUNNING = "running", "running"
    CLOSED = "closed", "closed"


# Forward order; a trial moves to any later state, never back.
LIFE_CYCLE = (TrialState.DRAFT, TrialState.REGISTERED, TrialState.RUNNING, TrialState.CLOSED)


class Trial(models.Model):
    """A protocol with its schedule, sites and materials."""

    code = code_field(unique=True)
    title = models.CharField(max_length=300)
    state = models.CharField(max_length=12, choices=TrialState, default=TrialState.DRAFT)
    schedule_days = ArrayField(
        models.PositiveSmallIntegerField(), help_text="planned days of looks"
    )
    primary_day = models.PositiveSmallIntegerField(help_text="day of the primary comparison")
    detection_limit = models.FloatField(
        default=0.02, help_text="smallest remaining fraction a look can find"
    )
    window_days = models.PositiveSmallIntegerField(
        default=2, help_text="a look within so many days of plan is on time"
    )
    sites = models.ManyToManyField(Site, related_name="trials")
    materials = models.ManyToManyField(Material, related_name="trials")
    reference_material = models.ForeignKey(
        Material, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    coordinators = models.ManyToManyField(User, related_name="trials")
    licence = models.CharField(max_length=40, default="CC-BY-4.0", help_text="SPDX identifier")
    embargo_until = models.DateField(null=True, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            code_is_well_formed("trial"),
            models.CheckConstraint(
                condition=Q(state__in=TrialState.values), name="trial_state_known"
            ),
            models.CheckConstraint(
                condition=Q(detection_limit__gt=0, detection_limit__lt=0.5),
                name="trial_detection_limit_in_range",
            ),
            within("trial", "primary_day", 1, 1100),
            within("trial", "window_days", 0, 60),
            models.CheckConstraint(
                condition=Q(schedule_days__len__gte=1), name="trial_has_scheduled_days"
            ),
            models.CheckConstraint(
                condition=Q(schedule_days__contains=[F("primary_day")]),
                name="trial_primary_day_is_scheduled",
            ),
        ]

    def __str__(self) -> str:
        return self.title

    def may_move_to(self, state: str) -> bool:
        return LIFE_CYCLE.index(TrialState(state)) > LIFE_CYCLE.index(TrialState(self.state))

    @property
    def is_public(self) -> bool:
        return self.state != TrialState.DRAFT
